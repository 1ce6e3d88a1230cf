//! A line on the control socket.
#![no_main]

use bismar::protocol::reply;
use bismar::protocol::request::Request;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|line: &[u8]| {
    match Request::parse(line) {
        Ok(request) => {
            let _ = request.command();
            let written = serde_json_of(&request);
            assert_eq!(Request::parse(&written).expect("what we write reads"), request);
        }
        Err(error) => {
            let reply = reply::line(&Err(error));
            assert_eq!(reply.iter().filter(|byte| **byte == b'\n').count(), 1);
        }
    }
});

fn serde_json_of(request: &Request) -> Vec<u8> {
    serde_json::to_vec(request).expect("a request has a JSON form")
}
