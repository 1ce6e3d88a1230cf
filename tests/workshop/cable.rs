//! The cable to the broker is pulled: no byte comes through any more, and neither end hears that.
//!
//! A network namespace of its own with one cable (veth) to this one, which is taken down: connections hang, and new ones
//! do not come through. Where there is no right to make one, a proxy that holds every byte back: weaker, since a new
//! connection is taken by it. `BISMAR_TEST_NO_NAMESPACE` takes that way everywhere.

use std::ffi::OsString;
use std::process::Command;

use super::shop::{Bench, Broker};
use super::way::{GOOD, Way};

pub enum Cable {
    Namespace {
        name: String,
        near: String,
        far: String,
    },
    Proxy(Way),
}

fn ip(words: &str) -> bool {
    let done = Command::new("ip").args(words.split(' ')).output();
    done.is_ok_and(|done| done.status.success())
}

impl Cable {
    /// With a broker at its near end, which is heard on this machine as well.
    pub fn with_broker() -> (Cable, Broker) {
        let id = std::process::id();
        let (name, near, far) = (format!("bw{id}"), format!("bwn{id}"), format!("bwf{id}"));
        // Of the block for tests of networks (RFC 2544, 198.18.0.0/15), four addresses for each process.
        let net = |host| format!("198.18.{}.{}", id / 64 % 256, id % 64 * 4 + host);
        let cable = Cable::Namespace {
            name: name.clone(),
            near: near.clone(),
            far: far.clone(),
        };
        let (here, there) = (net(1), net(2));
        let laid = std::env::var_os("BISMAR_TEST_NO_NAMESPACE").is_none()
            && ip(&format!("netns add {name}"))
            && ip(&format!(
                "link add {near} type veth peer name {far} netns {name}"
            ))
            && ip(&format!("addr add {here}/30 dev {near}"))
            && ip(&format!("link set {near} up"))
            && ip(&format!("-n {name} addr add {there}/30 dev {far}"))
            && ip(&format!("-n {name} link set lo up"))
            && ip(&format!("-n {name} link set {far} up"));
        if laid {
            let broker = Broker::with_certificates(Some(&here));
            return (cable, broker);
        }
        drop(cable);
        let broker = Broker::start();
        (Cable::Proxy(Way::to(broker.port, GOOD, 1)), broker)
    }

    /// A bench at its far end.
    pub fn bench(&self, name: &str, broker: &Broker) -> Bench {
        match self {
            Cable::Namespace { name: space, .. } => {
                let before = ["ip", "netns", "exec", space].map(OsString::from);
                Bench::behind(name, broker, broker.port, before.to_vec())
            }
            Cable::Proxy(way) => Bench::new(name, broker, way.port),
        }
    }

    pub fn pull(&self) {
        match self {
            // The far end: with the near one the addresses of this one would go too, and an answer would be refused.
            Cable::Namespace { name, far, .. } => {
                assert!(ip(&format!("-n {name} link set {far} down")));
            }
            Cable::Proxy(way) => way.hold(true),
        }
    }

    pub fn plug_in(&self) {
        match self {
            Cable::Namespace { name, far, .. } => {
                assert!(ip(&format!("-n {name} link set {far} up")));
            }
            Cable::Proxy(way) => way.hold(false),
        }
    }

    pub fn kind(&self) -> &'static str {
        match self {
            Cable::Namespace { .. } => "a network namespace whose cable is pulled",
            Cable::Proxy(_) => {
                "a proxy that holds every byte back, for want of the right to a namespace"
            }
        }
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        if let Cable::Namespace { name, near, .. } = self {
            ip(&format!("link del {near}"));
            ip(&format!("netns del {name}"));
        }
    }
}
