//! The page on a network: a tablet gets there by a QR code, and is told that the network can read along.

use std::fs::Permissions;
use std::net::{IpAddr, UdpSocket};
use std::os::unix::fs::PermissionsExt as _;

use serde_json::Value;

use crate::bench_side::formulas::SOAK;
use crate::bench_side::person::Person;
use crate::bench_side::rig::Rig;
use crate::bench_side::script::{Script, Seat};
use crate::bench_side::{Daemon, Pan, config, free_port};

/// This machine's address towards others; a datagram socket that is connected sends nothing.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    // TEST-NET-1 (RFC 5737): nobody's.
    socket.connect("192.0.2.1:9").ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_loopback() && !ip.is_unspecified()).then_some(ip)
}

/// The configuration of a page that others reach.
fn page_at(address: IpAddr, port: u16) -> String {
    format!(
        "[page]\non = true\nport = {port}\naddress = \"{address}\"\nkey = \"samphireandthrift7\"\n"
    )
}

#[test]
fn a_tablet_s_camera_opens_the_page_and_it_says_that_the_network_reads_along() {
    let Some(address) = own_address() else {
        println!("SKIPPED: this machine has no address but its own");
        return;
    };
    let seat = Seat::take();
    let port = free_port();
    let page = page_at(address, port);
    let rig = Rig::begun(SOAK, |_, text| format!("{text}{page}"), |_| {});
    let warning = "not encrypted on this network: whoever listens there can read the key";
    assert!(rig.daemon.log().contains(warning), "{}", rig.daemon.log());
    let said = rig.person.run(&["page", "--qr"]).ended(0);
    let link = said.out.lines().next().unwrap();
    let once = link.strip_prefix(&format!("http://{address}:{port}/#once-"));
    assert_eq!(once.map(str::len), Some(32), "{link}");
    assert!(!said.out.contains("samphire"), "the key is not shown");
    assert!(
        said.err
            .contains("lets one browser in, once, within 5 minutes"),
        "{said:?}"
    );
    assert!(said.err.contains(warning), "{said:?}");

    let code = rig.person.file("code.txt", &said.out);
    let tablet = Script::start(seat, "tablet.py", &[code.to_str().unwrap()]);
    let (_, seen) = tablet
        .lines
        .recv_timeout(crate::bench_side::LONGEST)
        .unwrap();
    assert_eq!(
        seen["code"], link,
        "read by another library than the one that wrote it"
    );
    assert_eq!(seen["view"], "batch", "{seen}");
    // The pass does not stay in the address.
    assert_eq!(
        seen["address"],
        format!("http://{address}:{port}/"),
        "{seen}"
    );
    let tells = |one: &Value, words: &str| {
        let said = one.as_array().unwrap();
        said.len() == 1 && said[0].as_str().unwrap().contains(words)
    };
    assert!(
        tells(&seen["readable"], "this network can read along"),
        "{seen}"
    );
    assert!(
        tells(
            &seen["door"],
            "whoever listens on this network can read the key"
        ),
        "{seen}"
    );
}

/// One who is in lets a tablet in, and that one another phone; each code is good once.
#[test]
fn a_code_lets_one_browser_in_once_and_who_is_in_stays_in() {
    let Some(address) = own_address() else {
        println!("SKIPPED: this machine has no address but its own");
        return;
    };
    let seat = Seat::take();
    let port = free_port();
    let page = page_at(address, port);
    let person = Person::new();
    let _pan = Pan::start(person.path("scale"));
    person.configures(&(config(&person.path("scale"), "0.01 g") + &page));
    let daemon = Daemon::start(&person);
    let own = person.run(&["page"]).ended(0).out;
    assert_eq!(
        own.trim(),
        format!("http://{address}:{port}/#samphireandthrift7")
    );
    let told = person.run(&["page", "--qr"]).ended(0).out;
    let terminal = person.file("code.txt", &told);
    let words = [own.trim(), terminal.to_str().unwrap()];
    let script = Script::start(seat, "passes.py", &words);
    let place = format!("http://{address}:{port}/");

    let shown = script.answer();
    let code = shown["code"].as_str().unwrap();
    assert!(code.starts_with(&format!("{place}#once-")), "{shown}");
    assert_eq!(shown["link"], code, "the address stands beside its code");
    for who in ["by the page's code", "by the terminal's code"] {
        let tablet = script.answer();
        assert_eq!(tablet["view"], "idle", "{who}: {tablet}");
        assert_eq!(tablet["address"], place, "{who}: the bar is clear");
        assert_eq!(tablet["again"], "idle", "{who}: after it is loaded anew");
        let late = script.answer();
        assert_eq!(late["view"], "door", "{who}: used a second time: {late}");
        assert_eq!(
            late["said"],
            "that code is good no more: each lets one browser in, once, within five minutes; show a new one",
            "{who}"
        );
        assert_eq!(late["address"], place, "{who}: the bar is clear");
    }
    let first = script.answer();
    assert_eq!(first["view"], "idle", "the first goes on: {first}");
    assert_eq!(first["same"], true, "in its own session: {first}");
    assert_eq!(
        first["used"], "idle",
        "a used code throws nobody out: {first}"
    );
    let log = daemon.log();
    assert!(!log.contains("once-") && !log.contains("samphire"), "{log}");
}

#[test]
fn where_no_daemon_or_no_page_is_there_is_no_code() {
    let port = free_port();
    let person = Person::new();
    let said = person.run(&["page", "--qr"]).ended(1);
    assert!(
        said.err.contains("no daemon is running; start it with"),
        "{said:?}"
    );
    assert_eq!(said.out, "");
    let rig = Rig::begun(
        SOAK,
        |_, text| format!("{text}[page]\nport = {port}\n"),
        |_| {},
    );
    let said = rig.person.run(&["page", "--qr"]).ended(1);
    assert!(
        said.err.contains("the page is off") && said.err.contains("on = true"),
        "{said:?}"
    );
    assert_eq!(said.out, "");
}

/// A key that others know, or can read, is none.
#[test]
fn the_key_of_the_sample_is_refused_and_one_that_all_can_read_is_told() {
    let port = free_port();
    let sample = bismar::config::DEFAULT_FILE
        .lines()
        .find_map(|line| line.strip_prefix("#key = "))
        .expect("the sample has one");
    for (key, served) in [(sample, false), ("\"samphireandthrift7\"", true)] {
        let person = Person::new();
        let _pan = Pan::start(person.path("scale"));
        let text = config(&person.path("scale"), "0.01 g");
        person.configures(&format!(
            "{text}[page]\non = true\nport = {port}\nkey = {key}\n"
        ));
        let file = person.config_file();
        for folder in file.ancestors().skip(1) {
            std::fs::set_permissions(folder, Permissions::from_mode(0o755)).unwrap();
            if folder == person.path("") {
                break;
            }
        }
        std::fs::set_permissions(&file, Permissions::from_mode(0o644)).unwrap();
        let daemon = Daemon::start(&person);
        // Served or not, it is told.
        let told = format!("close it: chmod 600 {}", file.display());
        daemon.until(|| daemon.log().contains(&told));
        assert!(!daemon.log().contains("samphireandthrift7"));
        if !served {
            daemon.until(|| daemon.log().contains("its key is the one of the commented"));
        }
        person.run(&["page"]).ended(i32::from(!served));
        drop(daemon);
        std::fs::set_permissions(&file, Permissions::from_mode(0o600)).unwrap();
        let daemon = Daemon::start(&person);
        person.run(&["status"]).ended(0);
        assert!(!daemon.log().contains("chmod"), "{}", daemon.log());
    }
}

#[test]
fn at_its_own_address_nothing_is_said_of_a_network() {
    let port = free_port();
    let page = format!("[page]\non = true\nport = {port}\n");
    let rig = Rig::begun(SOAK, |_, text| format!("{text}{page}"), |_| {});
    let said = rig.person.run(&["page"]).ended(0);
    assert_eq!(said.err, "");
    assert!(!rig.daemon.log().contains("not encrypted"));
    let said = rig.person.run(&["page", "--qr"]).ended(0);
    assert!(
        said.err.contains("A tablet does not reach this address"),
        "{said:?}"
    );
}
