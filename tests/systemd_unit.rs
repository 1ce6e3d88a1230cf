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
    let text = std::fs::read_to_string("systemd/bismar.service").unwrap();
    let program = env!("CARGO_BIN_EXE_bismar");
    assert!(text.contains("%h/.local/bin/bismar"));
    let text = spoil(text.replace("%h/.local/bin/bismar", program));
    let path = folder.join("bismar.service");
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn verify(spoil: impl Fn(String) -> String) -> String {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit(folder.path(), spoil);
    // It exits 0 even for an unknown key, so its words count.
    let output = run(
        "systemd-analyze",
        folder.path(),
        &["--user", "verify", "--man=no", &unit],
    );
    String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
}

#[test]
fn the_unit_is_faultless_to_systemd() {
    assert_eq!(verify(|text| text), "");
}

#[test]
fn the_check_sees_a_fault() {
    let said = verify(|text| text.replace("WatchdogSec", "WatchdogSeconds"));
    assert!(said.contains("WatchdogSeconds"), "{said:?}");
}

#[test]
fn the_units_exposure_is_shown_and_not_unsafe() {
    let folder = tempfile::tempdir().unwrap();
    let unit = unit(folder.path(), |text| text);
    let output = run(
        "systemd-analyze",
        folder.path(),
        // 10 times the exposure that systemd shows; 9 and more is "unsafe".
        &[
            "--user",
            "security",
            "--offline=yes",
            "--threshold=70",
            &unit,
        ],
    );
    let text = String::from_utf8_lossy(&output.stdout);
    let last = text.lines().rfind(|line| !line.trim().is_empty());
    println!("{}", last.unwrap_or("no score"));
    assert!(
        output.status.success(),
        "{text}\n{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// Options that stop a user unit of systemd 252 from starting, or that hide the scale, or that
/// do nothing there and would only look like protection (tried on a real user manager).
#[test]
fn the_unit_has_no_option_that_fails_in_a_user_unit() {
    let text = std::fs::read_to_string("systemd/bismar.service").unwrap();
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
        "ProtectSystem",
        "ProtectHome",
        "PrivateTmp",
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
