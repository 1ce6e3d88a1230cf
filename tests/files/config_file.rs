//! The configuration file: defaults, a full example, refusals with their places, XDG paths.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use bismar::config::paths::Places;
use bismar::config::{Config, DEFAULT_FILE};
use bismar::mass::Mass;
use bismar::metrology::Errors;
use bismar::metrology::budget::{AccuracyClass, Buoyancy, Class, Eccentricity, Temperature};
use bismar::scale::settings::{DtrMode, Parity, PortSelector};

use crate::is_ours;

fn places() -> Places {
    Places {
        home: Some("/home/maker".into()),
        ..Places::default()
    }
}

fn parse(text: &str) -> Config {
    Config::parse_at(text, "c.toml", &places()).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn the_file_that_comes_along_means_the_defaults() {
    assert_eq!(parse(DEFAULT_FILE), Config::default());
    assert_eq!(parse(""), Config::default());
    assert_eq!(
        parse("\u{feff}[weighing]\r\nguard = 2\r\n"),
        Config::default()
    );
}

#[test]
fn unwritten_rows_are_kept_where_state_belongs() {
    let dirs = |vars: &[(&str, &str)]| {
        let get = |name: &str| vars.iter().find(|(key, _)| *key == name);
        Places::from_vars(|name| get(name).map(|(_, value)| OsString::from(value))).spill_dirs()
    };
    // XDG Base Directory Specification 0.8: $XDG_STATE_HOME, by default ~/.local/state.
    assert_eq!(
        dirs(&[("HOME", "/h"), ("XDG_RUNTIME_DIR", "/run/user/7")]),
        [
            Path::new("/h/.local/state/bismar"),
            Path::new("/run/user/7/bismar"),
            Path::new("/tmp")
        ]
    );
    assert_eq!(
        dirs(&[("HOME", "/h"), ("XDG_STATE_HOME", "/s")]),
        [Path::new("/s/bismar"), Path::new("/tmp")]
    );
    assert_eq!(dirs(&[("XDG_STATE_HOME", "relative")]), [Path::new("/tmp")]);
}

#[test]
fn its_examples_are_good_once_the_comment_sign_is_taken_off() {
    let example = |line: &str| match line.strip_prefix('#') {
        Some(rest) if !rest.starts_with(' ') && !rest.is_empty() => rest.to_owned(),
        Some(_) | None => line.to_owned(),
    };
    let text: Vec<String> = DEFAULT_FILE.lines().map(example).collect();
    let config = parse(&text.join("\n"));
    assert_eq!(
        config.responsible.as_deref(),
        Some("Saltmarsh Bench, 1 Quay Row, Glasswort Haven")
    );
    let scale = &config.scales[0];
    assert_eq!(scale.name, "bench");
    assert_eq!(
        scale.port,
        PortSelector::Path("/dev/serial/by-id/usb-bench-scale".into())
    );
    assert_eq!((scale.baud, scale.data_bits, scale.stop_bits), (9600, 8, 1));
    assert_eq!(
        (scale.parity, scale.dtr, scale.settle),
        (Parity::None, DtrMode::Keep, 0.0)
    );
    // Its lines carry their unit, and its layout is one that there is.
    assert_eq!(scale.unit, None);
    assert!(bismar::scale::layout::Chosen::from_config(scale).is_ok());
    assert_eq!(scale.readability, Some(Mass::from_mg(10)));
    assert_eq!(scale.capacity, Some(Mass::from_g(600)));
    assert_eq!(scale.repeatability, Some(Mass::from_mg(8)));
    assert_eq!(scale.errors.weighings, Some(10));
    assert_eq!(scale.errors.linearity, Some(Mass::from_mg(20)));
    assert_eq!(scale.errors.sensitivity, Some(0.0001));
    let place = Eccentricity {
        limit: Mass::from_mg(20),
        load: Mass::from_g(200),
    };
    assert_eq!(scale.errors.eccentricity, Some(place));
    let oil = Buoyancy {
        product: 920.0,
        air: 1.2,
    };
    assert_eq!(scale.errors.buoyancy, Some(oil));
    let temperature = Temperature {
        coefficient: 1e-5,
        range: 5.0,
    };
    assert_eq!(scale.errors.temperature, Some(temperature));
    assert_eq!(config.abilities()[0].errors, scale.errors);
    assert_eq!(scale.poll, Some((b"S\r\n".to_vec(), 0.2)));
    assert_eq!(config.vessels[0].weight, Mass::from_mg(150_200));
    assert_eq!(config.vessels[0].capacity, Some(Mass::from_g(250)));
    assert_eq!(config.log_dir, Some("/home/maker/batches".into()));
    assert_eq!(config.formula_dir, Some("/home/maker/formulas".into()));
    let workshop = config.workshop.as_ref().expect("a workshop");
    assert_eq!(
        (workshop.name.as_str(), workshop.bench.as_deref()),
        ("saltmarsh", Some("bench-1"))
    );
    assert_eq!(
        (workshop.broker.as_str(), workshop.port, workshop.tls),
        ("broker.example", 8883, true)
    );
    assert_eq!(workshop.benches, ["bench-1", "bench-2"]);
    assert_eq!(workshop.gather_dir, Some("/home/maker/benches".into()));
    assert_eq!(workshop.hand_out, Some("/home/maker/handed".into()));
    assert!(workshop.handed_by.as_ref().unwrap().starts_with("d75a"));
    let sounds = [
        ("lift", "complete"),
        ("fault", "/home/maker/sounds/fault.oga"),
    ];
    let sounds = sounds.map(|(cue, sound)| (cue.to_owned(), sound.to_owned()));
    assert_eq!(config.cues.sounds, sounds);
    assert_eq!(config.abilities()[0].readability, Mass::from_mg(10));
}

#[test]
fn a_scale_by_usb_numbers_with_a_pattern() {
    let config = parse(
        r#"
[[scale]]
name = "fine"
usb = { vendor = 0x1234, product = 0xABCD, serial = "A1" }
pattern = '^ (?<value>[+-]?\d+\.\d+) (?<unit>g)$'
parity = "even"
data_bits = 7
poll = { send = "W\r\\x03\\\\" }
"#,
    );
    let scale = &config.scales[0];
    let usb = PortSelector::Usb {
        vendor: 0x1234,
        product: 0xabcd,
        serial: Some("A1".into()),
    };
    assert_eq!(scale.port, usb);
    assert_eq!(scale.layout, "pattern");
    assert_eq!(
        scale.pattern.as_deref(),
        Some(r"^ (?<value>[+-]?\d+\.\d+) (?<unit>g)$")
    );
    assert_eq!((scale.parity, scale.data_bits), (Parity::Even, 7));
    assert_eq!(scale.poll, Some((b"W\r\x03\\".to_vec(), 0.2)));
}

/// A verified scale by the numbers on its plate; the test of its corners was made with a third of the capacity
/// where nothing else is told (NIST Handbook 133, chapter 2).
#[test]
fn a_class_or_single_errors_of_a_scale() {
    let told = |figures: &str, errors: &str| {
        let text = format!("{SCALE}{figures}\n[scale.uncertainty]\n{errors}\n");
        parse(&text).scales[0].errors
    };
    let class = told(
        "capacity = \"6 kg\"",
        "class = \"II\"\ne = \"0.1 g\"\nproduct_density = 1",
    );
    let expected = Errors {
        class: Some(Class {
            class: AccuracyClass::II,
            e: Mass::from_mg(100),
        }),
        buoyancy: Some(Buoyancy {
            product: 1_000.0,
            air: 1.2,
        }),
        ..Errors::default()
    };
    assert_eq!(class, expected);
    let placed = told("capacity = \"600 g\"", "eccentricity = \"0.03 g\"");
    assert_eq!(placed.eccentricity.map(|e| e.load), Some(Mass::from_g(200)));
    // An empty table tells nothing.
    assert_eq!(told("", ""), Errors::default());
}

const SCALE: &str = "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n";

/// Text, place and part of the message of its only fault.
const REFUSED: &[(&str, &str, &str)] = &[
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\nlinearty = \"0.02 g\"\n",
        "6:1",
        "no key \"linearty\". Write \"linearity\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\nlinearity = \"0.02 g\"\n",
        "6:13",
        "without the scale's capacity. Add for example capacity",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\ncapacity = \"2 kg\"\n[scale.uncertainty]\nclass = \"II\"\n",
        "7:9",
        "\"class\" without \"e\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\ne = \"0.1 g\"\n",
        "6:5",
        "\"e\" without the \"class\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\ncapacity = \"2 kg\"\n[scale.uncertainty]\nclass = \"III\"\ne = \"0.1 g\"\n",
        "8:5",
        "class III has at most 10000 intervals",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\ncapacity = \"2 kg\"\n[scale.uncertainty]\nclass = \"II\"\ne = \"0.1 g\"\nsensitivity_percent = 0.05\n",
        "9:23",
        "beside a \"class\", which has it in its limits. Keep one",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\nreadability = \"0.1 g\"\ncapacity = \"2 kg\"\n[scale.uncertainty]\nclass = \"II\"\ne = \"0.01 g\"\n",
        "9:5",
        "\"e\" is smaller than the readability",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\nweighings = 10\n",
        "5:13",
        "\"weighings\" without a \"repeatability\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\nrepeatability = \"0.01 g\"\nweighings = 1\n",
        "6:13",
        "Write a whole number from 2 to 1000",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\ntemperature_ppm = 10\n",
        "6:19",
        "\"temperature_ppm\" without \"temperature_range\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\nair_density = 1.2\n",
        "6:15",
        "\"air_density\" without a \"product_density\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\nproduct_density = 920\n",
        "6:19",
        "Write a number from 0.1 to 20",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\n[scale.uncertainty]\neccentricity_load = \"200 g\"\n",
        "6:21",
        "\"eccentricity_load\" without an \"eccentricity\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\ncapacity = \"600 g\"\n[scale.uncertainty]\neccentricity = \"20 mg\"\neccentricity_load = \"2 kg\"\n",
        "8:21",
        "\"eccentricity_load\" is more than the scale carries",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"x\"\ncapacity = \"60 kg\"\n[scale.uncertainty]\nlinearity = \"2 kg\"\n",
        "7:13",
        "more than 1 kg",
    ),
    (
        "[weihing]\n",
        "1:2",
        "no key \"weihing\". Write \"weighing\"",
    ),
    (
        "[weighing]\nguard = 4.1\n",
        "2:9",
        "out of range. Write a number from 0 to 4",
    ),
    (
        "[weighing]\nsteady_window = 0.2\n",
        "2:17",
        "from 0.3 to 10",
    ),
    (
        "[weighing]\nstale = inf\n",
        "2:9",
        "inf, which is not a number",
    ),
    ("[weighing]\npresses = 1\n", "2:11", "must be true or false"),
    ("log_dir = \"logs\"\n", "1:11", "not an absolute path"),
    (
        "formula_dir = \"formulas\"\n",
        "1:15",
        "not an absolute path",
    ),
    ("[cues]\nspeach = true\n", "2:1", "Write \"speech\""),
    ("[cues.sounds]\nlifted = \"x\"\n", "2:1", "Write \"lift\""),
    (
        "[[vessel]]\nname = \"b\"\nweight = \"150\"\n",
        "3:10",
        "unit missing",
    ),
    (
        "[[vessel]]\nname = \"b\"\nweight = \"-1 g\"\n",
        "3:10",
        "more than nothing",
    ),
    (
        "[[vessel]]\nname = \"b\"\nweight = 150.2\n",
        "3:10",
        "must be a weight with its unit",
    ),
    (
        "[workshop]\nbroker = \"localhost\"\n",
        "1:1",
        "has no \"name\"",
    ),
    (
        "[workshop]\nname = \"a/b\"\nbroker = \"localhost\"\n",
        "2:8",
        "cannot be the name",
    ),
    (
        "[workshop]\nname = \"a\"\nbench = \"gather\"\nbroker = \"localhost\"\n",
        "3:9",
        "cannot be the bench",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"mqtt://x:1883\"\n",
        "3:10",
        "the port has its own key",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"192.168.1.5\"\ntls = false\n",
        "4:7",
        "without TLS everybody in the network reads along",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"b.example\"\ncertificate = \"/a\"\n",
        "4:15",
        "Add private_key",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"b.example\"\nbenches = [\"b\", \"B\"]\n",
        "4:17",
        "second bench is named",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"b.example\"\nbenches = \"b\"\n",
        "4:11",
        "must be a list of names",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"b.example\"\nport = 0\n",
        "4:8",
        "from 1 to 65535",
    ),
    (
        "[workshop]\nname = \"a\"\nbroker = \"b.example\"\nbrocker = 1\n",
        "4:1",
        "Write \"broker\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nlayout = \"x\"\n",
        "1:1",
        "has no \"port\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"ttyS0\"\nlayout = \"x\"\n",
        "3:8",
        "not an absolute path",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\n",
        "1:1",
        "no \"layout\"",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\nlayout = \"pattern\"\n",
        "1:1",
        "no pattern",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\npattern = '(?<v>'\n",
        "4:11",
        "no regular expression",
    ),
    (
        "[[scale]]\nname = \"a\"\nport = \"/dev/a\"\npattern = 'g'\n",
        "4:11",
        "no named group",
    ),
];

/// The same for lines added to a good scale.
const REFUSED_IN_SCALE: &[(&str, &str, &str)] = &[
    ("baud = 49", "5:8", "from 50 to 4000000"),
    ("baud = \"9600\"", "5:8", "must be a whole number"),
    ("parity = \"evn\"", "5:10", "Write \"even\""),
    ("stop_bits = 3", "5:13", "from 1 to 2"),
    ("unit = \"pcs\"", "5:8", "\"pcs\" is no unit"),
    ("readability = \"0 g\"", "5:15", "more than nothing"),
    (
        "readability = \"10 g\"\ncapacity = \"5 g\"",
        "5:15",
        "not smaller than the capacity",
    ),
    (
        "poll = { send = 'S\\q' }",
        "5:17",
        "\"\\q\", which is no escape",
    ),
    ("poll = { send = '' }", "5:17", "is empty"),
    ("poll = { every = 1 }", "5:8", "no \"send\""),
    (
        "poll = { send = 'S', every = 0 }",
        "5:30",
        "from 0.02 to 60",
    ),
    (
        "usb = { vendor = 1, product = 2 }",
        "5:7",
        "both \"port\" and \"usb\"",
    ),
    (
        "pattern = '(?<v>.)'",
        "5:11",
        "Keep one, or write layout = \"pattern\"",
    ),
    ("bauds = 9600", "5:1", "Write \"baud\""),
    (
        "[[scale]]\nname = \"A\"\nport = \"/dev/b\"\nlayout = \"x\"",
        "5:1",
        "second scale is named \"A\"",
    ),
];

#[test]
fn bad_files_are_refused_with_their_places() {
    let in_scale = REFUSED_IN_SCALE
        .iter()
        .map(|(text, at, part)| (format!("{SCALE}{text}\n"), *at, *part));
    let whole = REFUSED
        .iter()
        .map(|(text, at, part)| ((*text).to_owned(), *at, *part));
    for (text, at, part) in whole.chain(in_scale) {
        let problems = Config::parse_at(&text, "c.toml", &places()).expect_err(&text);
        let message = problems.to_string();
        assert_eq!(problems.0.len(), 1, "{text}\n{message}");
        assert!(
            message.starts_with(&format!("c.toml:{at}: ")),
            "{text}\n{message}"
        );
        assert!(message.contains(part), "{text}\n{part}\n{message}");
        problems.0.iter().for_each(is_ours);
    }
}

#[test]
fn several_faults_come_in_the_order_of_the_file() {
    let text = format!("{SCALE}baud = 1\nparity = \"x\"\n[weighing]\nguard = 9\n");
    let problems = Config::parse_at(&text, "c.toml", &places()).expect_err("three faults");
    assert_eq!(
        problems.0.iter().map(|p| p.line).collect::<Vec<_>>(),
        [5, 6, 8]
    );
}

/// XDG Base Directory Specification: the defaults, and relative paths are ignored.
#[test]
fn files_lie_where_the_xdg_specification_says() {
    let vars = |pairs: &'static [(&'static str, &'static str)]| {
        Places::from_vars(move |name| {
            pairs
                .iter()
                .find(|(n, _)| *n == name)
                .map(|(_, value)| OsString::from(value))
        })
    };
    let path = |p: &str| Some(PathBuf::from(p));
    let home = vars(&[("HOME", "/home/m"), ("XDG_CONFIG_HOME", "relative")]);
    assert_eq!(
        home.config_file(),
        path("/home/m/.config/bismar/config.toml")
    );
    assert_eq!(home.log_dir(), path("/home/m/.local/share/bismar/logs"));
    let formulas = path("/home/m/.local/share/bismar/formulas");
    assert_eq!(home.formula_dir(), formulas);
    assert_eq!(home.expand("~/x"), path("/home/m/x"));
    assert_eq!(home.expand("/y"), path("/y"));
    let moved = vars(&[("XDG_CONFIG_HOME", "/c"), ("XDG_DATA_HOME", "/d")]);
    assert_eq!(moved.config_file(), path("/c/bismar/config.toml"));
    assert_eq!(moved.log_dir(), path("/d/bismar/logs"));
    assert_eq!(moved.formula_dir(), path("/d/bismar/formulas"));
    assert_eq!(moved.expand("~/x"), None);
    assert_eq!(vars(&[]).config_file(), None);
}

#[test]
fn a_named_file_that_is_missing_is_an_error() {
    let error = Config::load(Some(Path::new("/no/such/config.toml"))).expect_err("missing");
    assert!(
        error
            .to_string()
            .starts_with("/no/such/config.toml: cannot be read"),
        "{error}"
    );
}
