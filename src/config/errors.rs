//! The errors of a scale by its part of the configuration: `weighings` beside its
//! `repeatability`, and `[scale.uncertainty]`.

use super::scale::Most;
use crate::document::{DeTable, Reader, Value};
use crate::language::{Sentence, phrase};
use crate::mass::Mass;
use crate::metrology::Errors;
use crate::metrology::budget::{AccuracyClass, Buoyancy, Class, Eccentricity, Temperature};

const KEYS: [&str; 10] = [
    "linearity",
    "sensitivity_percent",
    "eccentricity",
    "eccentricity_load",
    "class",
    "e",
    "temperature_ppm",
    "temperature_range",
    "product_density",
    "air_density",
];
/// A scale with a larger error than this is no scale.
const LARGEST_ERROR: Most = Most(Mass::from_g(1000), "1 kg");
/// Far from where a scale was adjusted nobody weighs.
const LARGEST_RANGE: f64 = 60.0;

pub(super) fn errors<'i>(
    reader: &mut Reader<'i>,
    scale: &DeTable<'i>,
    what: &Sentence,
    readability: Option<Mass>,
    capacity: Option<Mass>,
) -> Errors {
    let weighings = weighings(reader, scale);
    let Some(table) = reader.get(scale, "uncertainty", Reader::table) else {
        return Errors {
            weighings,
            ..Errors::default()
        };
    };
    reader.only(table, format!("{what}: [scale.uncertainty]"), &KEYS);
    apart(reader, table);
    let errors = Errors {
        weighings,
        linearity: LARGEST_ERROR.or_less(reader, table, "linearity", "0.03 g"),
        sensitivity: reader
            .get(table, "sensitivity_percent", |r, v, k| {
                r.float(v, k, 0.0, 10.0)
            })
            .map(|percent| percent / 100.0),
        eccentricity: eccentricity(reader, table, capacity),
        class: class(reader, table, readability, capacity),
        temperature: temperature(reader, table),
        buoyancy: buoyancy(reader, table),
    };
    for key in ["linearity", "eccentricity", "class"] {
        if let (Some(value), None) = (table.get(key), capacity) {
            let message = phrase!("\"{key}\" says little without the scale's capacity", key);
            let remedy = phrase!("Add for example capacity = \"600 g\" to the scale");
            reader.report(&value.span(), message, remedy);
        }
    }
    errors
}

fn weighings<'i>(reader: &mut Reader<'i>, scale: &DeTable<'i>) -> Option<u32> {
    let value = scale.get("weighings")?;
    let found = reader.whole(value, "weighings", 2..1_001);
    let lacks = phrase!("a \"repeatability\" that rests on them");
    let remedy = phrase!(
        "Remove it, or let {measure_at_terminal} put in both",
        measure_at_terminal = "`bismar repeatability --write`"
    );
    alone(reader, scale, ["weighings", "repeatability"], lacks, remedy);
    found
}

/// Reports the first of two keys where the other one, which it `lacks`, is not there.
fn alone<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    [key, other]: [&str; 2],
    lacks: impl Into<Sentence>,
    remedy: Sentence,
) {
    if let (Some(value), None) = (table.get(key), table.get(other)) {
        reader.report(
            &value.span(),
            phrase!("\"{key}\" without {lacks}", key, lacks = lacks.into()),
            remedy,
        );
    }
}

/// A class says all that the three others say.
fn apart<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) {
    if table.get("class").is_none() {
        return;
    }
    for key in ["linearity", "sensitivity_percent", "eccentricity"] {
        if let Some(value) = table.get(key) {
            let message = phrase!(
                "\"{key}\" beside a \"class\", which has it in its limits",
                key
            );
            reader.report(&value.span(), message, phrase!("Keep one of the two"));
        }
    }
}

/// Without a load of its own the test was made with a third of the capacity (NIST Handbook 133 (2026), chapter
/// 2, has a third of the largest test load).
fn eccentricity<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    capacity: Option<Mass>,
) -> Option<Eccentricity> {
    let load = reader.get(table, "eccentricity_load", |r, v, k| r.mass(v, k, "200 g"));
    let limit = LARGEST_ERROR.or_less(reader, table, "eccentricity", "0.03 g");
    let pair = ["eccentricity_load", "eccentricity"];
    let remedy = phrase!("Add it, for example \"0.03 g\"");
    alone(reader, table, pair, phrase!("an \"eccentricity\""), remedy);
    // Told too large it would make what is off centre too small.
    let carried = load.zip(capacity).is_none_or(|(load, most)| load <= most);
    if let (Some(value), false) = (table.get("eccentricity_load"), carried) {
        let message = phrase!("\"eccentricity_load\" is more than the scale carries");
        reader.report(
            &value.span(),
            message,
            phrase!("Write the load that was put off centre, for example \"200 g\""),
        );
    }
    let load = load.or(capacity.map(|capacity| capacity.ratio(1, 3)))?;
    Some(Eccentricity {
        limit: limit?,
        load: load.max(Mass::from_mg(1)),
    })
}

fn class<'i>(
    reader: &mut Reader<'i>,
    table: &DeTable<'i>,
    readability: Option<Mass>,
    capacity: Option<Mass>,
) -> Option<Class> {
    let classes = AccuracyClass::ALL.map(|class| (class.name(), class));
    let class = reader.get(table, "class", |r, v, k| r.choice(v, k, &classes));
    let interval = table.get("e");
    let e = interval.and_then(|value| interval_of(reader, value, readability));
    let lacks = phrase!("\"e\", the verification scale interval");
    let remedy = phrase!("Add for example e = \"0.1 g\"");
    alone(reader, table, ["class", "e"], lacks, remedy);
    let lacks = phrase!("the \"class\" that it belongs to");
    let remedy = phrase!("Add for example class = \"II\"");
    alone(reader, table, ["e", "class"], lacks, remedy);
    let (class, e) = (class?, e?);
    if let (Some(most), Some(capacity), Some(value)) = (class.most_intervals(), capacity, interval)
        && capacity > e * most
    {
        let message = phrase!(
            "a scale of class {class} has at most {most} intervals e, and the capacity is more",
            class = class.name(),
            most = most.to_string()
        );
        let remedy = phrase!("Check the class, e and the capacity on the scale's plate");
        reader.report(&value.span(), message, remedy);
    }
    Some(Class { class, e })
}

fn interval_of<'i>(
    reader: &mut Reader<'i>,
    value: &Value<'i>,
    readability: Option<Mass>,
) -> Option<Mass> {
    let e = reader.mass(value, "e", "0.1 g")?;
    let complaint = if e > LARGEST_ERROR.0 {
        phrase!("\"e\" is more than 1 kg")
    } else if readability.is_some_and(|d| e < d) {
        phrase!("\"e\" is smaller than the readability")
    } else {
        return Some(e);
    };
    let remedy = phrase!("Write what stands on the scale's plate, for example \"0.1 g\"");
    reader.report(&value.span(), complaint.to_owned(), remedy);
    None
}

fn temperature<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Option<Temperature> {
    let ppm = reader.get(table, "temperature_ppm", |r, v, k| {
        r.float(v, k, 0.0, 10_000.0)
    });
    let range = reader.get(table, "temperature_range", |r, v, k| {
        r.float(v, k, 0.0, LARGEST_RANGE)
    });
    let pair = ["temperature_ppm", "temperature_range"];
    for pair in [pair, [pair[1], pair[0]]] {
        let remedy = phrase!(
            "Give both: parts in a million for each degree, and how many degrees to either side"
        );
        alone(reader, table, pair, format!("\"{}\"", pair[1]), remedy);
    }
    Some(Temperature {
        coefficient: ppm? / 1e6,
        range: range?,
    })
}

fn buoyancy<'i>(reader: &mut Reader<'i>, table: &DeTable<'i>) -> Option<Buoyancy> {
    let product = reader.get(table, "product_density", |r, v, k| r.float(v, k, 0.1, 20.0));
    let air = reader.get(table, "air_density", |r, v, k| r.float(v, k, 0.5, 2.0));
    let pair = ["air_density", "product_density"];
    let remedy = phrase!("Add it in g/ml, for example product_density = 0.92");
    alone(
        reader,
        table,
        pair,
        phrase!("a \"product_density\""),
        remedy,
    );
    Some(Buoyancy {
        product: product? * 1_000.0,
        air: air.unwrap_or(Buoyancy::AIR),
    })
}
