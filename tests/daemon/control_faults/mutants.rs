//! Requests with faults in them, made out of right ones; the same for the same seed.

use fastrand::Rng;
use serde_json::{Value, json};

/// A right request of each kind, and with each field.
pub fn right(formula: &str, batch: &str) -> Vec<Value> {
    vec![
        json!({"do": "hello"}),
        json!({"do": "status"}),
        json!({"do": "begin", "formula": formula, "batch": "100g"}),
        json!({"do": "begin", "formula": formula, "jars": 2, "fill": "50g", "allowance": "3%"}),
        json!({"do": "begin", "formula": formula, "batch": "100g", "allowance": "0.5%",
            "overweigh": [{"step": 2, "mass": "1.5g"}, {"step": 1, "mass": "0.2g"}]}),
        json!({"do": "fill", "batch": batch, "fill": "30g", "over": "1g", "jars": 2, "rule": "eu"}),
        json!({"do": "fill", "batch": batch, "fill": "30g", "rule": "hb133", "allowable": "2.5g"}),
        json!({"do": "fill"}),
        json!({"do": "next"}),
        json!({"do": "again"}),
        json!({"do": "keep"}),
        json!({"do": "lot", "lot": "B-12"}),
        json!({"do": "lot", "lot": "B-12", "despite": "looked at and smelled today"}),
        json!({"do": "note", "note": "a warm room"}),
        json!({"do": "go-on", "batch": batch}),
        json!({"do": "remedy", "way": "in-proportion"}),
        json!({"do": "remedy", "way": "least-added", "batch": batch}),
        json!({"do": "residue", "step": 2}),
        json!({"do": "residue"}),
        json!({"do": "stop"}),
        json!({"do": "subscribe", "readings": true}),
    ]
}

/// One line out of one of `right`, without a line feed and not empty.
pub fn mutant(right: &[Value], rng: &mut Rng) -> Vec<u8> {
    loop {
        let one = rng.choice(right).expect("some").clone();
        let mut line = match rng.u8(0..12) {
            0 => flipped(&one, rng),
            1 => cut(&one, rng),
            2 => with(one, wrong_type(rng), rng),
            3 => with(one, huge(rng), rng),
            4 => with(one, deep(rng), rng),
            5 => with(one, long(rng), rng),
            6 => inserted(&one, rng),
            7 => near(one, rng),
            8..11 => {
                let once = near(one, rng);
                near(serde_json::from_slice(&once).expect("JSON"), rng)
            }
            _ => spliced(&one, rng.choice(right).expect("some"), rng),
        };
        for byte in &mut line {
            if *byte == b'\n' {
                *byte = b' ';
            }
        }
        if !line.trim_ascii().is_empty() {
            return line;
        }
    }
}

fn bytes(value: &Value) -> Vec<u8> {
    value.to_string().into_bytes()
}

fn flipped(one: &Value, rng: &mut Rng) -> Vec<u8> {
    let mut line = bytes(one);
    for _ in 0..rng.usize(1..5) {
        let at = rng.usize(..line.len());
        line[at] ^= 1 << rng.u8(0..8);
    }
    line
}

fn cut(one: &Value, rng: &mut Rng) -> Vec<u8> {
    let mut line = bytes(one);
    line.truncate(rng.usize(..line.len()));
    line
}

/// `one` with the text `new` in the place of one of its values, or as one more field.
fn with(mut one: Value, new: String, rng: &mut Rng) -> Vec<u8> {
    const MARK: &str = "\u{1}here\u{1}";
    let fields = one.as_object_mut().expect("an object");
    let names: Vec<String> = fields.keys().rev().cloned().collect();
    // Half of them leave the word that says what is asked.
    let names = &names[..names.len().min(if rng.bool() { names.len() } else { 1 })];
    let name = if rng.u8(0..10) == 0 {
        "more".to_owned()
    } else {
        rng.choice(names).expect("some").clone()
    };
    let inner = fields.get_mut(&name).and_then(Value::as_array_mut);
    match inner.filter(|_| rng.bool()) {
        Some(list) => {
            let field = if rng.bool() { "step" } else { "mass" };
            list[0][field] = MARK.into();
        }
        None => {
            fields.insert(name, MARK.into());
        }
    }
    let mark = Value::from(MARK).to_string();
    one.to_string().replace(&mark, &new).into_bytes()
}

/// `one` with another value of the right kind, at or past its limits.
fn near(mut one: Value, rng: &mut Rng) -> Vec<u8> {
    let masses = [
        "0g",
        "0.001g",
        "0.01g",
        "30g",
        "55 g",
        "2oz",
        "0.22lb",
        "100kg",
        "9223372036g",
        "-5g",
        "5",
        "1e3g",
    ];
    let ways = ["keep", "in-proportion", "least-added", "least-adde"];
    let counts = [0, 1, 2, 3, 99, 1_000_000, u64::from(u32::MAX), u64::MAX];
    let fields = one.as_object_mut().expect("an object");
    for (name, value) in fields.iter_mut().filter(|(name, _)| *name != "do") {
        if rng.bool() {
            continue;
        }
        let mass = rng.choice(masses).expect("some");
        let count = rng.choice(counts).expect("some");
        *value = match name.as_str() {
            "jars" | "step" => count.into(),
            "allowance" => rng.choice(["0%", "50%", "50.0001%", "3", "0.001%"]).into(),
            "way" => rng.choice(ways).into(),
            "rule" => rng.choice(["eu", "r87", "hb133", "EU"]).into(),
            "overweigh" => json!([{"step": count, "mass": mass}, {"step": 1, "mass": "1g"}]),
            "batch" | "fill" | "over" | "allowable" => mass.into(),
            "lot" | "note" | "despite" => {
                rng.choice(["x", " ", "=1+1", "a\"b,c", "\u{202e}g"]).into()
            }
            _ => continue,
        };
    }
    one.to_string().into_bytes()
}

fn wrong_type(rng: &mut Rng) -> String {
    let all = [
        "null",
        "true",
        "-1",
        "0",
        "1.5",
        "[]",
        "{}",
        "\"\"",
        "\" \"",
        "\"x\"",
        "[1,2]",
        "{\"do\":\"stop\"}",
        "[{\"step\":\"2\",\"mass\":1.5}]",
        "\"\\u0000\"",
        "\"\\ud800\"",
        "\"keep\\u001b[31m\"",
        "\"\\u202egnp\"",
        "NaN",
        "-",
        "\"../../../etc/passwd\"",
        "\"/dev/zero\"",
        "\"/\"",
        "\"/proc/self/mem\"",
    ];
    rng.choice(all).expect("some").to_owned()
}

fn huge(rng: &mut Rng) -> String {
    let all = [
        "1e400",
        "-1e400",
        "99999999999999999999999999",
        "18446744073709551615",
        "18446744073709551616",
        "9223372036854775807",
        "-9223372036854775809",
        "4294967295",
        "4294967296",
        "1e-400",
        "\"99999999999999999999999kg\"",
        "\"9223372036g\"",
        "\"9223372.036854775807kg\"",
        "\"9000000000g\"",
        "\"-5g\"",
        "\"0.0000000000000000001g\"",
        "\"1e9g\"",
        "\"99999999999%\"",
        "\"50%\"",
        "\"-0%\"",
        "\"0g\"",
        "\"0.000000001g\"",
        "\"4611686018g\"",
        "\"100000kg\"",
    ];
    rng.choice(all).expect("some").to_owned()
}

fn deep(rng: &mut Rng) -> String {
    let depth = rng
        .choice([5, 100, 127, 128, 129, 5_000, 30_000, 50_000])
        .expect("some");
    if rng.bool() {
        "[".repeat(depth) + &"]".repeat(depth)
    } else {
        "{\"a\":".repeat(depth / 4) + "1" + &"}".repeat(depth / 4)
    }
}

fn long(rng: &mut Rng) -> String {
    let length: usize = rng
        .choice([100, 150, 151, 200, 201, 1000, 1001, 20_000, 65_000, 70_000])
        .expect("some");
    let letter = rng
        .choice([
            "x",
            "\u{e9}",
            "\u{1f9f4}",
            "\\n",
            "\\u001b",
            "\\u202e",
            "9",
            "=",
        ])
        .expect("some");
    let count = (length / letter.len()).max(1);
    format!("\"{}\"", letter.repeat(count))
}

fn inserted(one: &Value, rng: &mut Rng) -> Vec<u8> {
    let mut line = bytes(one);
    let at = rng.usize(..=line.len());
    let more: Vec<u8> = match rng.u8(0..3) {
        0 => (0..rng.usize(1..40)).map(|_| rng.u8(..)).collect(),
        1 => b"\"do\":\"keep\",".to_vec(),
        _ => line.clone(),
    };
    line.splice(at..at, more);
    line
}

fn spliced(one: &Value, other: &Value, rng: &mut Rng) -> Vec<u8> {
    let (mut line, other) = (bytes(one), bytes(other));
    line.truncate(rng.usize(..line.len()));
    line.extend_from_slice(&other[rng.usize(..other.len())..]);
    line
}
