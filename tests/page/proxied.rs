//! The page behind a reverse proxy that speaks https, as the README says it: a real one (nginx, with what the
//! README gives it) with a certificate made on the spot, and a real browser that knows that certificate.

use std::process::{Child, Command, Stdio};
use std::time::Instant;

use serde_json::{Value, json};

use crate::bench_side::person::{Person, repository};
use crate::bench_side::script::{Script, Seat};
use crate::bench_side::served::Served;
use crate::bench_side::{LONGEST, free_port};

struct Proxy {
    child: Child,
    port: u16,
    /// Where its certificate lies.
    certificate: String,
}

/// The part of the README that a proxy of this kind is given, for a page at `page`.
fn location(page: u16) -> String {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let from = readme.find("    location / {").expect("the README has it");
    let part = &readme[from..];
    let (part, _) = part.split_once("    }\n").unwrap();
    let told = format!("{part}}}\n");
    assert!(told.contains("http://127.0.0.1:8417;"), "{told}");
    told.replace("127.0.0.1:8417", &format!("127.0.0.1:{page}"))
}

impl Proxy {
    fn certificate(person: &Person) {
        let made = Command::new("/usr/bin/openssl")
            .args([
                "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
            ])
            .args(["-subj", "/CN=bench.example"])
            .args(["-addext", "subjectAltName=DNS:bench.example"])
            .args(["-keyout", "key.pem", "-out", "certificate.pem"])
            .current_dir(person.path(""))
            .output()
            .expect("openssl starts (bash .ci/test sets it up)");
        assert!(made.status.success(), "{made:?}");
    }

    /// In front of the page of `served`, at `port`.
    fn starts(served: &Served, port: u16) -> Proxy {
        let person = &served.person;
        Proxy::certificate(person);
        let temporary: String = ["client_body", "proxy", "fastcgi", "uwsgi", "scgi"]
            .map(|kind| format!("{kind}_temp_path temp-{kind};\n"))
            .concat();
        let at = |name: &str| person.path(name).to_str().unwrap().to_owned();
        let text = format!(
            "daemon off; pid nginx.pid; error_log stderr; worker_processes 1;\n\
             events {{ worker_connections 256; }}\n\
             http {{ access_log off;\n{temporary}\
             server {{ listen 127.0.0.1:{port} ssl;\n\
             ssl_certificate {}; ssl_certificate_key {};\n{} }} }}\n",
            at("certificate.pem"),
            at("key.pem"),
            location(served.port),
        );
        let file = person.file("nginx.conf", &text);
        let child = Command::new("/usr/sbin/nginx")
            .args(["-e", "stderr", "-p", &at(""), "-c", file.to_str().unwrap()])
            .stdout(Stdio::null())
            .spawn()
            .expect("nginx starts (bash .ci/test sets it up)");
        let end = Instant::now() + LONGEST;
        while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(Instant::now() < end, "the proxy does not listen");
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        Proxy {
            child,
            port,
            certificate: at("certificate.pem"),
        }
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        // Asked, so that it ends its workers.
        let process = rustix::process::Pid::from_child(&self.child);
        let _ = rustix::process::kill_process(process, rustix::process::Signal::TERM);
        let _ = self.child.wait();
    }
}

#[test]
fn a_maker_weighs_through_a_proxy_that_speaks_https_while_strangers_guess_keys() {
    let seat = Seat::take();
    let port = free_port();
    let origin = format!("https://bench.example:{port}");
    let served = Served::behind(
        &format!("proxy = \"{origin}\"\nother_users = true\n"),
        &origin,
    );
    let proxy = Proxy::starts(&served, port);
    let begun = ["begin", "soak.toml", "--batch", "100g"];
    served.person.run(&begun).ended(0);
    let link = served.person.run(&["page"]).ended(0).out;
    let words = [link.trim(), &proxy.certificate, &proxy.port.to_string()];
    let mut script = Script::start(seat, "proxied.py", &words);

    // From another address than the browser's, ten wrong keys; then none is heard, not even the right one.
    let guessed = script.answer();
    let codes = guessed["guessed"].as_array().unwrap();
    assert_eq!(codes[..10], vec![json!(403); 10], "{guessed}");
    assert_eq!(codes[10..], [json!(429), json!(429)], "{guessed}");

    let first = script.answer();
    assert_eq!(first["address"], format!("{origin}/"), "{first}");
    assert_eq!(first["view"], "batch", "the maker gets in: {first}");
    assert_eq!(first["readable"], json!([]), "it is encrypted: {first}");
    // The scale is told of as it moves, within the two seconds after which the page calls bismar lost.
    for grams in [0.0, 25.0] {
        served.pan.put(grams);
        script.say(&json!(format!("{grams:.2} g, steady")));
        let shown = script.answer();
        assert_eq!(shown["shown"], true, "{shown}");
        assert_eq!(shown["lost"], json!([]), "no answer is held back: {shown}");
    }
    script.no_more();
    let stopped = script.answer();
    assert_eq!(stopped["view"], "idle", "{stopped}");
    assert_eq!(served.step(), Value::Null, "the press went through");
    assert_eq!(stopped["log"], json!([]), "{stopped}");
}
