//! The unit and the rule, checked by systemd's own tools.

use std::path::Path;
use std::process::{Command, Output};

fn run(program: &str, runtime_dir: &Path, arguments: &[&str]) -> Output {
    Command::new(program)
        .args(arguments)
        .env("XDG_RUNTIME_DIR", runtime_dir)
        .env("SYSTEMD_PAGER", "")
        .env("SYSTEMD_COLORS", "0")
        .output()
        .unwrap_or_else(|error| {
            panic!(
                "{program}: {error}; install the Debian package systemd (apt-get install systemd)"
            )
        })
}

/// A copy of the unit whose program is the one that was built.
fn unit(folder: &Path, spoil: impl Fn(String) -> String) -> String {
    unit_of("bismar.service", folder, spoil)
}

fn unit_of(name: &str, folder: &Path, spoil: impl Fn(String) -> String) -> String {
    let text = std::fs::read_to_string(Path::new("systemd").join(name)).unwrap();
    let program = env!("CARGO_BIN_EXE_bismar");
    assert!(text.contains("%h/.local/bin/bismar"));
    let text = spoil(text.replace("%h/.local/bin/bismar", program));
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn verify(spoil: impl Fn(String) -> String) -> String {
    verify_of("bismar.service", spoil)
}

fn verify_of(name: &str, spoil: impl Fn(String) -> String) -> String {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit_of(name, folder.path(), spoil);
    // It exits 0 even for an unknown key, so its words count.
    let output = run(
        "systemd-analyze",
        folder.path(),
        &["--user", "verify", "--man=no", &unit],
    );
    String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
}

/// As [`verify`], with one of the repository's drop-ins.
fn verify_with(drop_in: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit(folder.path(), |text| text);
    add(folder.path(), drop_in);
    let arguments = ["--user", "verify", "--man=no", &unit];
    let output = run("systemd-analyze", folder.path(), &arguments);
    String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
}

fn add(folder: &Path, drop_in: &str) {
    let drop_ins = folder.join("bismar.service.d");
    std::fs::create_dir_all(&drop_ins).unwrap();
    let from = Path::new("systemd").join(drop_in);
    std::fs::copy(from, drop_ins.join(drop_in)).unwrap();
}

/// What the tool says of the unit with these drop-ins, a line each.
fn security(drop_ins: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit(folder.path(), |text| text);
    for drop_in in drop_ins {
        add(folder.path(), drop_in);
    }
    let arguments = ["--user", "security", "--offline=yes", &unit];
    let output = run("systemd-analyze", folder.path(), &arguments);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{text}\n{said}");
    text
}

/// The exposure, as it is printed.
fn exposure(text: &str) -> &str {
    let line = text.lines().rfind(|line| line.contains("exposure level"));
    let words = line.and_then(|line| line.rsplit_once(": "));
    words
        .and_then(|(_, words)| words.split(' ').next())
        .expect("a score")
}

/// The systemd whose scores the README tells; another one weighs other things.
const SCORED_BY: &str = "systemd 252 ";

/// Whether the tool here is that one; says so aloud where it is not.
fn scores_compare() -> bool {
    let version = Command::new("systemd-analyze").arg("--version").output();
    let version = version.map(|output| String::from_utf8_lossy(&output.stdout).into_owned());
    match version {
        Ok(version) if version.starts_with(SCORED_BY) => true,
        Ok(version) => {
            let version = version.lines().next().unwrap_or_default();
            println!("SKIPPED: the scores are those of {SCORED_BY}, here is {version}");
            false
        }
        Err(error) => {
            println!("SKIPPED: no systemd-analyze ({error}); install the Debian package systemd");
            false
        }
    }
}

#[test]
fn the_unit_and_its_drop_ins_are_faultless_to_systemd() {
    assert_eq!(verify(|text| text), "");
    for drop_in in ["closed-in.conf", "local-page.conf", "workshop.conf"] {
        assert_eq!(verify_with(drop_in), "", "{drop_in}");
    }
    assert_eq!(verify_of("bismar-gather.service", |text| text), "");
}

#[test]
fn the_check_sees_a_fault() {
    let said = verify(|text| text.replace("WatchdogSec", "WatchdogSeconds"));
    assert!(said.contains("WatchdogSeconds"), "{said:?}");
}

#[test]
fn the_readme_tells_the_exposure_that_the_tool_finds() {
    if !scores_compare() {
        return;
    }
    let readme = std::fs::read_to_string("README.md").unwrap();
    let readme = readme.split_whitespace().collect::<Vec<_>>().join(" ");
    let told = |before: &str| {
        let after = readme
            .split(before)
            .nth(1)
            .unwrap_or_else(|| panic!("{before}"));
        after.split([' ', ',']).next().unwrap()
    };
    let alone = security(&[]);
    assert_eq!(
        told("as it stands an exposure of "),
        exposure(&alone),
        "{alone}"
    );
    let closed = security(&["closed-in.conf"]);
    let words = readme
        .split(" with `systemd/closed-in.conf`")
        .next()
        .unwrap();
    assert_eq!(
        words.rsplit(' ').next().unwrap(),
        exposure(&closed),
        "{closed}"
    );
}

/// The tool's own lines: no network but with the drop-in, and with it no family more than the page needs.
#[test]
fn only_the_drop_in_for_a_page_opens_internet_sockets() {
    if !scores_compare() {
        return;
    }
    let denied = |text: &str, family: &str| {
        let key = format!("RestrictAddressFamilies=~{family} ");
        let line = text.lines().find(|line| line.contains(&key));
        line.unwrap_or_else(|| panic!("{family}: {text}"))
            .contains("cannot allocate")
    };
    let families = ["AF_PACKET", "\u{2026}"];
    for (drop_ins, closed) in [
        (&[][..], true),
        (&["closed-in.conf"], true),
        (&["local-page.conf"], false),
        (&["closed-in.conf", "local-page.conf"], false),
    ] {
        let text = security(drop_ins);
        for of_the_page in ["AF_(INET|INET6)", "AF_NETLINK"] {
            assert_eq!(
                denied(&text, of_the_page),
                closed,
                "{drop_ins:?} {of_the_page}"
            );
        }
        for family in families {
            assert!(denied(&text, family), "{drop_ins:?} {family}");
        }
    }
}

/// Options that stop a user unit of systemd 252 from starting, or that hide the scale, or that
/// do nothing there and would only look like protection. Tried one by one under a real `systemd --user`
/// 252 of an unprivileged user: those that take a capability away end in 218/CAPABILITIES; the mount and network ones start
/// and leave the process in the namespaces of its manager, but the tool's score falls all the same.
#[test]
fn the_unit_has_no_option_that_fails_in_a_user_unit() {
    let both = ["systemd/bismar.service", "systemd/bismar-gather.service"];
    let text = both
        .map(|unit| std::fs::read_to_string(unit).unwrap())
        .concat();
    let keys: Vec<&str> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| Some(line.split_once('=')?.0))
        .collect();
    assert!(keys.contains(&"NoNewPrivileges"));
    for bad in [
        "PrivateDevices",
        "ProtectKernelModules",
        "ProtectKernelLogs",
        "ProtectClock",
        "CapabilityBoundingSet",
        "SupplementaryGroups",
        "CPUSchedulingPolicy",
        "DynamicUser",
        "PrivateUsers",
        "ProtectSystem",
        "ProtectHome",
        "PrivateTmp",
        "PrivateNetwork",
        "PrivateMounts",
        "PrivateIPC",
        "ProtectProc",
        "ProcSubset",
        "ProtectKernelTunables",
        "ProtectControlGroups",
        "IPAddressDeny",
        "DeviceAllow",
        "DevicePolicy",
        "RuntimeDirectory",
        "StateDirectory",
        "User",
    ] {
        assert!(!keys.contains(&bad), "{bad}");
    }
}

#[test]
fn the_rule_stands_between_those_it_needs_and_is_faultless() {
    let name = "70-bismar.rules";
    assert!("60-serial.rules" < name && name < "73-seat-late.rules");
    let rule = Path::new("systemd").join(name);
    let text = std::fs::read_to_string(&rule).unwrap();
    let rules: Vec<&str> = text
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .collect();
    let [only] = rules.as_slice() else {
        panic!("one rule is on: {rules:?}");
    };
    for part in [
        "SUBSYSTEM==\"tty\"",
        "ENV{ID_BUS}==\"usb\"",
        "TAG+=\"uaccess\"",
    ] {
        assert!(only.contains(part), "{part} is missing");
    }
    // `udevadm verify` came with systemd 254; Debian 12 has 252.
    match Command::new("udevadm").arg("verify").arg(&rule).output() {
        Ok(output) => {
            let said =
                String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
            if said.contains("Unknown command verb") || said.contains("Unknown command") {
                println!("this udevadm cannot verify rules: {said}");
            } else {
                assert!(output.status.success(), "{said}");
            }
        }
        Err(error) => println!("rules not verified, udevadm: {error}"),
    }
}
