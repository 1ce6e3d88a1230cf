//! Anchors of a log outside its file: the head on the batch sheet, and what OpenSSH and OpenSSL say of a log. For
//! the latter two the program has no code; the commands are those of the README.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use bismar::mass::Mass;
use bismar::vocabulary::entry::{Draft, RowKind};

use crate::bench_side::logs::{Begun, closed, weighed};
use crate::bench_side::person::{Person, repository};

const FORMULA: &str = r#"
[formula]
name = "Two beakers"
version = "1"

[[phase]]
name = "All"

[[phase.ingredient]]
name = "Sea salt"
percent = 60

[[phase.ingredient]]
name = "Oat flour"
percent = 40
"#;

/// A log of a batch with `rows`, in the person's folder.
fn log(person: &Person, rows: &[Draft]) -> String {
    let _ = fs::remove_file(person.path("b.csv"));
    let begun = Begun {
        formula: FORMULA,
        label: "Two beakers 1",
        size: Mass::from_g(100),
        jars: None,
        at: "2026-09-01T09:00:00Z",
    };
    begun.written(&person.path("."), "b", rows);
    fs::read_to_string(person.path("b.csv")).unwrap()
}

fn rows() -> Vec<Draft> {
    vec![
        weighed(1, "Sea salt", "", 60_000),
        weighed(2, "Oat flour", "", 40_000),
        closed(),
    ]
}

/// The line that begins with `name` in the sheet's head, without its marks.
fn on_the_sheet(sheet: &str, name: &str) -> String {
    let begin = format!("<dt>{name}</dt><dd>");
    let line = sheet.lines().find_map(|line| line.strip_prefix(&begin));
    let line = line.unwrap_or_else(|| panic!("no {name} on the sheet"));
    line.strip_suffix("</dd>").unwrap().to_owned()
}

/// What the sheet prints is what `sha256sum` and the file itself say, and `--head` knows it again: at the end,
/// behind rows that were added, and not in a log that was cut or written anew.
#[test]
fn a_head_on_paper_tells_whether_the_log_is_still_the_one() {
    let person = Person::new();
    let whole = log(&person, &rows());
    person.run(&["sheet", "b.csv", "--out", "b.html"]).ended(0);
    let sheet = fs::read_to_string(person.path("b.html")).unwrap();
    let short = on_the_sheet(&sheet, "Head of the log");
    let full = on_the_sheet(&sheet, "in full");
    assert_eq!(whole.trim_end().rsplit(',').next(), Some(short.as_str()));
    let sum = Command::new("sha256sum").arg(person.path("b.csv")).output();
    let sum = String::from_utf8(sum.unwrap().stdout).unwrap();
    assert_eq!(sum.split(' ').next().unwrap(), full.replace(' ', ""));

    let verify = |head: &str| person.run(&["log", "verify", "--head", head, "b.csv"]);
    for head in [&short, &full, &full.replace(' ', ""), &short.to_uppercase()] {
        let said = verify(head).ended(0);
        assert!(said.out.contains("ok, 5 rows, batch closed"), "{said:?}");
        assert!(said.out.contains("It ends with the head "), "{said:?}");
    }

    let later =
        ["the lid was loose", "and it is not now"].map(|note| Draft::new(RowKind::Note, note));
    log(&person, &[rows(), later.to_vec()].concat());
    for head in [&short, &full] {
        let said = verify(head).ended(0);
        assert!(
            said.out.contains(" in line 6; 2 rows were added since."),
            "{said:?}"
        );
    }

    // Cut off behind a row: nothing else shows that.
    let lines: Vec<&str> = whole.split_inclusive('\n').collect();
    fs::write(person.path("b.csv"), lines[..5].concat()).unwrap();
    person.run(&["log", "verify", "b.csv"]).ended(0);
    for head in [&short, &full] {
        let said = verify(head).ended(4);
        assert!(
            said.err
                .contains("b.csv:5: none of the rows up to here has the head "),
            "{said:?}"
        );
        assert!(said.err.contains("Compare it with a backup"), "{said:?}");
    }

    // Written anew with another weight: the chain is right, and the rows agree.
    let mut other = rows();
    other[0].net = Some(Mass::from_mg(59_000));
    log(&person, &other);
    person.run(&["log", "verify", "b.csv"]).ended(0);
    for head in [&short, &full] {
        verify(head).ended(4);
    }

    // What is no head, and two files of which one is another log.
    for head in ["", "abc", "0123456789abcdeg", &full[1..]] {
        let said = verify(head).ended(2);
        assert!(
            said.err.contains("16 or 64 hexadecimal digits"),
            "{head}: {said:?}"
        );
    }
    fs::write(person.path("b2.csv"), &whole).unwrap();
    let said = person
        .run(&["log", "verify", "--head", &short, "b.csv", "b2.csv"])
        .ended(4);
    assert!(said.out.contains("b2.csv: ok"), "{said:?}");
}

// ---- other programs ------------------------------------------------------------------------------

fn shell(folder: &Path, command: &str) -> Output {
    Command::new("sh")
        .args(["-euc", command])
        .current_dir(folder)
        .env("HOME", folder)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[track_caller]
fn ends(folder: &Path, command: &str, well: bool) {
    let out = shell(folder, command);
    assert_eq!(out.status.success(), well, "{command}\n{out:?}");
}

/// The commands of the README's block that begins with `first`.
fn commands(first: &str) -> Vec<String> {
    let readme = repository("README.md");
    let readme = fs::read_to_string(readme).unwrap();
    let from = readme.find(&format!("    {first}")).expect("the block");
    let block = readme[from..]
        .lines()
        .take_while(|line| line.starts_with("    "));
    block.map(|line| line.trim().to_owned()).collect()
}

/// ssh-keygen(1), `-Y sign` and `-Y verify`, with a key that is made here.
#[test]
fn a_signature_by_openssh_holds_for_the_log_and_for_no_other() {
    let person = Person::new();
    let whole = log(&person, &rows());
    let folder = person.path(".");
    ends(
        &folder,
        "mkdir -p .ssh && ssh-keygen -q -t ed25519 -N '' -f .ssh/id_ed25519",
        true,
    );
    ends(
        &folder,
        "echo \"maker@bench $(cat .ssh/id_ed25519.pub)\" > signers",
        true,
    );
    let said = commands("ssh-keygen -Y sign");
    let [sign, verify] = &said[..] else {
        panic!("two commands: {said:?}");
    };
    let at_home = |command: &str| command.replace("BATCH", "b");
    ends(&folder, &at_home(sign), true);
    ends(&folder, &at_home(verify), true);
    fs::write(person.path("b.csv"), whole.replace("60.00", "61.00")).unwrap();
    ends(&folder, &at_home(verify), false);
    fs::write(person.path("b.csv"), &whole).unwrap();
    // Another's key: her signature is none of the maker's.
    ends(
        &folder,
        "ssh-keygen -q -t ed25519 -N '' -f other && rm b.csv.sig",
        true,
    );
    ends(
        &folder,
        &at_home(sign).replace("~/.ssh/id_ed25519", "other"),
        true,
    );
    ends(&folder, &at_home(verify), false);
}

/// RFC 3161 by openssl-ts(1), against an authority that is made here.
#[test]
fn a_time_stamp_holds_for_the_log_and_for_no_other() {
    let person = Person::new();
    let whole = log(&person, &rows());
    let folder = person.path(".");
    fs::write(
        person.path("ts.cnf"),
        "[req]\ndistinguished_name = dn\nprompt = no\n[dn]\nCN = Test authority\n\
         [ext]\nextendedKeyUsage = critical, timeStamping\nbasicConstraints = CA:TRUE\n\
         [tsa]\ndefault_tsa = it\n[it]\nserial = ./serial\ndefault_policy = 1.2.3.4\n\
         digests = sha256, sha512\nsigner_digest = sha256\ness_cert_id_alg = sha256\n",
    )
    .unwrap();
    ends(
        &folder,
        "echo 01 > serial && openssl req -x509 -newkey rsa:2048 -nodes -keyout key.pem -out authority.pem \
         -days 30 -config ts.cnf -extensions ext",
        true,
    );
    let said = commands("openssl ts -query");
    let [query, verify] = &said[..] else {
        panic!("two commands: {said:?}");
    };
    let at_home = |command: &str| command.replace("BATCH", "b");
    ends(&folder, &at_home(query), true);
    ends(
        &folder,
        "openssl ts -reply -config ts.cnf -queryfile b.tsq -signer authority.pem -inkey key.pem -out b.tsr",
        true,
    );
    ends(&folder, &at_home(verify), true);
    fs::write(person.path("b.csv"), whole.replace("60.00", "61.00")).unwrap();
    ends(&folder, &at_home(verify), false);
}
