//! The declaration's rules at their edges, and the net contents against the examples worked with
//! the factors of 16 CFR 500.19 (1 oz = 28.349 5 g, 1 g = 0.035 274 0 oz).

use bismar::label::allergens::{ALLERGENS, Stay, allergen, amounts};
use bismar::label::{
    Rules, ca_net_weight, declaration, eu_net_weight, grams_on_label, height_of_figures,
    ounces_on_label, us_net_weight,
};
use bismar::mass::Mass;
use proptest::prelude::*;
use rust_decimal::Decimal;

use crate::bench_side::logs::{Begun, weighed};
use crate::bench_side::person::Person;

fn named(weights: &[(&str, i64)]) -> Vec<(String, Mass)> {
    let one = |(name, mg): &(&str, i64)| ((*name).to_owned(), Mass::from_mg(*mg));
    weights.iter().map(one).collect()
}

/// Every entry with a name of it and its number, written down from a reproduction with CAS numbers (a table of
/// 2026 made from the consolidated Annex III of Regulation 1223/2009 and a paper of 2024), apart from the list
/// in the code, which follows another made from the consolidated text.
const BY_NUMBER: &str = "45 Benzyl Alcohol; 46 6-Methyl Coumarin; 67 Amyl Cinnamal; 69 Cinnamyl Alcohol; 70 Citral; \
    71 Eugenol; 72 Hydroxycitronellal; 73 Isoeugenol; 74 Amylcinnamyl Alcohol; 75 Benzyl Salicylate; 76 Cinnamal; \
    77 Coumarin; 78 Geraniol; 80 Anise Alcohol; 81 Benzyl Cinnamate; 82 Farnesol; 84 Linalool; 85 Benzyl Benzoate; \
    86 Citronellol; 87 Hexyl Cinnamal; 88 Limonene; 89 Methyl 2-Octynoate; 90 Alpha-Isomethyl Ionone; \
    91 Evernia Prunastri Extract; 92 Evernia Furfuracea Extract; 109 Pinus Mugo Leaf Oil; \
    114 Pinus Pumila Needle Extract; 122 Cedrus Atlantica Bark Oil; 124 Turpentine; 131 Alpha-Terpinene; \
    133 Terpinolene; 154 Myroxylon Balsamum Pereirae Balsam Oil; 157 Alpha-Damascone; 175 3-Propylidenephthalide; \
    196 Lippia Citriodora Absolute; 324 Methyl Salicylate; 327 Acetyl Cedrene; 328 Amyl Salicylate; 329 Anethole; \
    330 Benzaldehyde; 331 Camphor; 332 Beta-Caryophyllene; 333 Carvone; 334 Dimethyl Phenethyl Acetate; \
    335 Hexadecanolactone; 336 Hexamethylindanopyran; 337 Linalyl Acetate; 338 Menthol; \
    339 Trimethylcyclopentenyl Methylisopentenol; 340 Salicylaldehyde; 341 Santalol; 342 Sclareol; 343 Terpineol; \
    344 Tetramethyl Acetyloctahydronaphthalenes; 345 Trimethylbenzenepropanol; 346 Vanillin; \
    347 Cananga Odorata Flower Oil; 348 Cinnamomum Cassia Leaf Oil; 349 Cinnamomum Zeylanicum Bark Oil; \
    350 Citrus Aurantium Amara Flower Oil; 351 Citrus Aurantium Dulcis Peel Oil; \
    352 Citrus Aurantium Bergamia Peel Oil; 353 Citrus Limon Peel Oil; 354 Cymbopogon Citratus Leaf Oil; \
    355 Eucalyptus Globulus Leaf Oil; 356 Eugenia Caryophyllus Flower Oil; 357 Jasminum Officinale Oil; \
    358 Juniperus Virginiana Oil; 359 Laurus Nobilis Leaf Oil; 360 Lavandula Angustifolia Oil; \
    361 Mentha Piperita Oil; 362 Mentha Viridis Leaf Oil; 364 Pelargonium Graveolens Oil; \
    365 Pogostemon Cablin Oil; 366 Rosa Damascena Flower Oil; 367 Santalum Album Oil; 368 Eugenyl Acetate; \
    369 Geranyl Acetate; 370 Isoeugenyl Acetate; 371 Pinene";

/// The 56 names that were new, as a page of August 2023 has them.
const NEW: &str = "Pinus Mugo; Pinus Pumila; Cedrus Atlantica Oil/Extract; Turpentine; Alpha-Terpinene; Terpinolene; \
    Myroxylon Pereirae Oil/Extract; Rose Ketones; 3-Propylidenephthalide; Lippia citriodora absolute; \
    Methyl Salicylate; Acetyl Cedrene; Amyl Salicylate; Anethole; Benzaldehyde; Camphor; Beta-Caryophyllene; \
    Carvone; Dimethyl Phenethyl Acetate; Hexadecanolactone; Hexamethylindanopyran; Linalyl Acetate; Menthol; \
    Trimethylcyclopentenyl Methylisopentenol; Salicylaldehyde; Santalol; Sclareol; Terpineol; \
    Tetramethyl acetyloctahydronaphthalenes; Trimethylbenzenepropanol; Vanillin; Cananga Odorata Oil/Extract; \
    Cinnamomum Cassia Leaf Oil; Cinnamomum Zeylanicum Bark Oil; Citrus Aurantium Flower Oil; \
    Citrus Aurantium Peel Oil; Citrus Aurantium Bergamia Peel Oil; Citrus Limon Peel Oil; Lemongrass Oil; \
    Eucalyptus Globulus Oil; Eugenia Caryophyllus Oil; Jasmine Oil/Extract; Juniperus Virginiana Oil; \
    Laurus Nobilis Leaf Oil; Lavandula Oil/Extract; Mentha Piperita Oil; Mentha Viridis Leaf Oil; \
    Narcissus Extract; Pelargonium Graveolens Flower Oil; Pogostemon Cablin Oil; Rose Flower Oil/Extract; \
    Santalum Album Oil; Eugenyl Acetate; Geranyl Acetate; Isoeugenyl Acetate; Pinene";

#[test]
fn the_allergens_are_those_of_two_other_reproductions() {
    let mut numbers = std::collections::BTreeSet::new();
    for one in BY_NUMBER.split("; ") {
        let (number, name) = one.split_once(' ').unwrap();
        let found = allergen(name).unwrap_or_else(|| panic!("{name}"));
        assert_eq!(found.entry.to_string(), number, "{name}");
        numbers.insert(found.entry);
    }
    // Narcissus: the extract of another species there.
    assert_eq!(allergen("Narcissus Tazetta Extract").unwrap().entry, 363);
    numbers.insert(363);
    let ours: std::collections::BTreeSet<u16> = ALLERGENS.iter().map(|one| one.entry).collect();
    assert_eq!((ours.len(), &ours), (81, &numbers));
    let new: Vec<u16> = NEW
        .split("; ")
        .map(|name| allergen(name).expect(name).entry)
        .collect();
    assert_eq!(new.len(), 56);
    let mut named = new.clone();
    named.sort_unstable();
    named.dedup();
    assert_eq!(named.len(), 56);
    let later = ours.iter().filter(|entry| **entry > 326);
    assert!(later.clone().all(|entry| new.contains(entry)) && later.count() == 45);
    // As the maker may have written it; what only sounds like one is none.
    assert_eq!(allergen(" LINALOOL ").unwrap().entry, 84);
    for other in [
        "Linalyl",
        "Menthone",
        "Lavandula Angustifolia Flower Water",
        "Eugenol acetate",
        "",
    ] {
        assert_eq!(allergen(other), None, "{other}");
    }
}

/// "exceeds: 0,001 % in leave-on, 0,01 % in rinse-off products" (OJ L 342/155; (EU) 2023/1545): exactly so much is
/// not named; names of one entry add up.
#[test]
fn allergens_are_named_above_their_thresholds_and_not_at_them() {
    let total = Mass::from_g(1_000);
    for (ng, leave_on, rinse_off) in [
        (10_000_000i64, false, false),
        (10_000_001, true, false),
        (100_000_000, true, false),
        (100_000_001, true, true),
    ] {
        let (a, b) = (Mass::from_ng(ng / 2), Mass::from_ng(ng - ng / 2));
        let parts = [("Geranial", a), ("neral", b), ("Water", Mass::from_g(999))];
        for (stay, wanted) in [(Stay::LeaveOn, leave_on), (Stay::RinseOff, rinse_off)] {
            let found = amounts(parts, total, stay);
            let [citral] = found.as_slice() else {
                panic!("{found:?}")
            };
            assert_eq!((citral.allergen.label, citral.mass.ng()), ("Citral", ng));
            assert_eq!(citral.declared, wanted, "{ng} {stay:?}");
        }
    }
    assert_eq!(amounts([("Citral", Mass::ZERO)], total, Stay::LeaveOn), []);
}

/// 21 CFR 701.3(f): "not more than 1 percent" (from memory); 1223/2009 art. 19(1)(g): "less than 1 %"; Canada's
/// Cosmetic Regulations (C.R.C., c. 869) s. 21.4(2): "1% or less".
#[test]
fn exactly_one_percent_is_free_in_the_us_and_canada_and_not_in_the_eu() {
    for (mg, us, eu) in [
        (999, true, true),
        (1_000, true, false),
        (1_001, false, false),
    ] {
        let rest = 100_000 - mg;
        let weights = [("Aqua", rest), ("Parfum", mg)];
        for (rules, expected) in [(Rules::Us, us), (Rules::Eu, eu), (Rules::Ca, us)] {
            let lines = declaration(named(&weights), rules);
            assert_eq!(lines[1].any_order, expected, "{mg} mg, {rules:?}");
            assert!(!lines[0].any_order);
        }
    }
    // One nanogram in 10 kg tells.
    let total = Mass::from_g(10_000);
    let over = Mass::from_g(100) + Mass::from_ng(1);
    assert!(!Rules::Us.any_order(over, total));
    assert!(!Rules::Ca.any_order(over, total));
    assert!(Rules::Eu.any_order(Mass::from_g(100) - Mass::from_ng(1), total));
}

#[test]
fn one_inci_name_is_declared_once_and_nothing_of_no_weight() {
    let weights = [
        ("Maris Sal", 40),
        ("Aqua", 50),
        ("Maris Sal", 20),
        ("Parfum", 0),
    ];
    let lines = declaration(named(&weights), Rules::Eu);
    let names: Vec<&str> = lines.iter().map(|line| line.inci.as_str()).collect();
    assert_eq!(names, ["Maris Sal", "Aqua"]);
    assert_eq!(lines[0].mass, Mass::from_mg(60));
}

#[test]
fn net_contents_of_worked_examples() {
    for (g, oz, grams) in [
        (50, "1.76", "50"),
        (100, "3.52", "100"),
        (250, "8.81", "250"),
    ] {
        let net = Mass::from_g(g);
        assert_eq!(ounces_on_label(net).as_deref(), Some(oz));
        assert_eq!(grams_on_label(net).as_deref(), Some(grams));
    }
    // 4 oz and 8 oz: 113.398 g and 226.796 g.
    for (oz, grams) in [(4, "113"), (8, "226")] {
        let net = Mass::from_ng(28_349_523_125 * oz);
        assert_eq!(ounces_on_label(net), Some(oz.to_string()));
        assert_eq!(grams_on_label(net).as_deref(), Some(grams));
    }
    assert_eq!(grams_on_label(Mass::from_mg(5_678)).as_deref(), Some("5.6"));
    assert_eq!(grams_on_label(Mass::ZERO), None);
    assert_eq!(ounces_on_label(Mass::from_mg(-5)), None);
}

proptest! {
    /// In a decimal library: neither number is more than what is there, by the exact ounce
    /// (28.349 523 125 g) or by the label factor, and none gives away a digit.
    #[test]
    fn net_contents_never_overstate(ng in 300_000_000i64..100_000_000_000_000) {
        let net = Mass::from_ng(ng);
        let g = Decimal::new(ng, 9);
        let label: Decimal = grams_on_label(net).unwrap().parse().unwrap();
        prop_assert!(label <= g && label > g * Decimal::new(9, 1));
        let oz: Decimal = ounces_on_label(net).unwrap().parse().unwrap();
        prop_assert!(oz * Decimal::new(28_349_523_125, 9) <= g);
        prop_assert!(oz <= g * Decimal::new(352_740, 7));
        prop_assert!(g < (oz + Decimal::new(1, 2)) * Decimal::new(28_349_523_125, 9));
    }

    #[test]
    fn a_declaration_descends_and_keeps_every_gram(
        weights in proptest::collection::vec(("[a-f]", 0i64..1_000_000), 1..20),
    ) {
        let given: Vec<(String, Mass)> =
            weights.iter().map(|(n, mg)| (n.clone(), Mass::from_mg(*mg))).collect();
        let lines = declaration(given.clone(), Rules::Us);
        prop_assert!(lines.windows(2).all(|w| w[0].mass >= w[1].mass));
        prop_assert!(lines.is_sorted_by_key(|line| line.any_order));
        let sum: Mass = lines.iter().map(|line| line.mass).sum();
        prop_assert_eq!(sum, given.iter().map(|(_, m)| *m).sum::<Mass>());
    }
}

/// Guide to the Consumer Packaging and Labelling Act and Regulations (Canada; 1999, read in reproductions): "less than
/// 1000 g: g; 1000 g or more: kg", three figures, below 100 g two; that it is rounded down is our own.
#[test]
fn canada_has_grams_and_from_1000_g_kilograms() {
    for (mg, wanted) in [
        (5_678, "5.6 g"),
        (59_930, "59 g"),
        (226_796, "226 g"),
        (999_999, "999 g"),
        (1_000_000, "1 kg"),
        (1_239_999, "1.23 kg"),
        (12_399_999, "12.3 kg"),
        (100_000_000, "100 kg"),
    ] {
        let said = ca_net_weight(Mass::from_mg(mg));
        assert_eq!(said.as_deref(), Some(wanted), "{mg} mg");
    }
    assert_eq!(ca_net_weight(Mass::from_mg(9)), None);
    assert_eq!(ca_net_weight(Mass::from_mg(-5)), None);
}

/// The form: 21 CFR 701.13 second hand (ounces; from 1 lb to under 4 lb the pounds in parentheses, as "24 oz
/// (1 lb 8 oz)"), above that from memory. 1 lb = 453.592 37 g, 1 oz = 28.349 523 125 g (NIST Handbook 44,
/// appendix C).
#[test]
fn pounds_stand_beside_ounces_from_one_pound() {
    for (ng, wanted) in [
        (50_000_000_000, "1.76 OZ (50 g)"),
        (100_000_000_000, "3.52 OZ (100 g)"),
        (250_000_000_000, "8.81 OZ (250 g)"),
        (453_592_369_999, "15.99 OZ (453 g)"),
        (453_592_370_000, "16 OZ (1 LB) 453 g"),
        (680_388_555_000, "24 OZ (1 LB 8 OZ) 680 g"),
        (1_814_369_479_999, "63.99 OZ (3 LB 15.99 OZ) 1810 g"),
        (1_814_369_480_000, "4 LB (1810 g)"),
        (2_000_000_000_000, "4 LB 6.54 OZ (2000 g)"),
    ] {
        assert_eq!(us_net_weight(Mass::from_ng(ng)).as_deref(), Some(wanted));
    }
    assert_eq!(us_net_weight(Mass::from_mg(283)), None);
    assert_eq!(
        eu_net_weight(Mass::from_mg(59_930)).as_deref(),
        Some("59 g")
    );
    // Directive 76/211/EEC, annex I, 3.1, from memory.
    for (g, mm) in [(50, 2), (51, 3), (200, 3), (201, 4), (1_000, 4), (1_001, 6)] {
        assert_eq!(height_of_figures(Mass::from_g(g)), mm, "{g} g");
    }
}

proptest! {
    /// What is said in pounds is what is said in ounces, and never more than there is.
    #[test]
    fn pounds_and_ounces_agree_and_overstate_nothing(ng in 283_495_232i64..6_000_000_000_000) {
        let text = us_net_weight(Mass::from_ng(ng)).unwrap();
        let words: Vec<&str> = text.split([' ', '(', ')']).filter(|word| !word.is_empty()).collect();
        let of = |unit: &str| -> Vec<Decimal> {
            let pairs = words.windows(2).filter(|pair| pair[1] == unit);
            pairs.map(|pair| pair[0].parse().unwrap()).collect()
        };
        let (ounces, pounds, grams) = (of("OZ"), of("LB"), of("g"));
        let oz = Decimal::new(28_349_523_125, 9);
        let net = Decimal::new(ng, 9);
        prop_assert_eq!(grams.len(), 1);
        prop_assert!(grams[0] <= net, "{}", text);
        let sixteen = Decimal::from(16);
        match (ounces.as_slice(), pounds.as_slice()) {
            ([all], []) => prop_assert!(*all < sixteen && *all * oz <= net),
            ([all], [lb]) if *all >= sixteen => prop_assert!(*all == *lb * sixteen && *all * oz <= net),
            ([all, rest], [lb]) => {
                prop_assert!(*all == *lb * sixteen + *rest && *rest < sixteen && *all * oz <= net);
            }
            ([rest], [lb]) => {
                let all = *lb * sixteen + *rest;
                prop_assert!(*lb >= Decimal::from(4) && *rest < sixteen && all * oz <= net);
                prop_assert!((all + Decimal::new(2, 2)) * oz > net);
            }
            ([], [lb]) => prop_assert!(*lb >= Decimal::from(4) && *lb * sixteen * oz <= net),
            _ => prop_assert!(false, "{}", text),
        }
    }
}

// ---- the program itself --------------------------------------------------------------------------

/// Through a premix, from the weights of the logs and what the maker wrote down; a lot's certificate counts.
#[test]
fn a_declaration_names_allergens_and_says_what_is_not_known() {
    let person = Person::new();
    let closed = crate::bench_side::logs::closed;
    let logs = person.path("logs");
    std::fs::create_dir_all(&logs).unwrap();
    let write = |name: &str, formula: &str, rows: &[bismar::vocabulary::entry::Draft]| {
        let begun = Begun {
            formula,
            label: name,
            size: Mass::from_g(100),
            jars: None,
            at: "2026-09-01T09:00:00Z",
        };
        begun.written(&logs, name, rows);
    };
    let blend = "[formula]\nname = \"Blend\"\nuse = \"premix\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Lavendel\"\n\
                 inci = \"Lavandula Angustifolia Oil\"\npercent = 50\n[[phase.ingredient]]\nname = \"Nelke\"\n\
                 inci = \"Eugenia Caryophyllus Bud Oil\"\npercent = 50\n";
    let balm = "[formula]\nname = \"Balm\"\nuse = \"leave-on\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Oil\"\n\
                inci = \"Helianthus Annuus Seed Oil\"\npercent = 98\n[[phase.ingredient]]\nname = \"Scent\"\n\
                premix = \"Blend\"\npercent = 2\n";
    write(
        "blend-1",
        blend,
        &[
            weighed(1, "Lavendel", "LAV-2", 60_000),
            weighed(2, "Nelke", "N-1", 40_000),
            closed(),
        ],
    );
    write(
        "balm-1",
        balm,
        &[
            weighed(1, "Oil", "O", 98_000),
            weighed(2, "Scent", "blend-1", 2_000),
            closed(),
        ],
    );
    let declare = || {
        person
            .run(&["declaration", "balm-1", "--logs", "logs", "--rules", "eu"])
            .ended(0)
    };
    let said = declare();
    let first = said.out.lines().next().unwrap();
    assert_eq!(
        first,
        "NOT COMPLETE: what fragrance allergens are in Eugenia Caryophyllus Bud Oil and Lavandula Angustifolia Oil is \
         not known; write their constituents into substances.toml, from the supplier's documents."
    );
    // Told once.
    assert!(!said.err.contains("what fragrance allergens"), "{said:?}");
    // The log does not tell where its formula lay: what was looked into is told, and how to name another.
    let looked = |folder: &str, found: &str| {
        format!(
            "warning: substances.toml was looked for in {folder}{found}. If yours lies in another folder, name the \
             formula there with --formula FILE, or that folder as formula_dir in the configuration"
        )
    };
    let none = "; there is none, or nothing is in it";
    let usual = person.path("home/.local/share/bismar/formulas");
    assert!(
        said.err
            .contains(&looked(&usual.display().to_string(), none)),
        "{said:?}"
    );
    let folder = person.path("formulas");
    std::fs::create_dir_all(&folder).unwrap();
    person.configures(&format!(
        "formula_dir = {:?}\n",
        folder.display().to_string()
    ));
    std::fs::write(
        folder.join("substances.toml"),
        "[[substance]]\ninci = \"Lavandula angustifolia oil\"\nconstituents = { Linalool = 40, Limonene = 0.05, Coumarin = 1 }\n\
         [[substance.lot]]\nlot = \"LAV-2\"\nconstituents = { Linalool = 30 }\n\
         [[substance]]\nname = \"Nelke\"\nconstituents = { EUGENOL = 80, Linalool = 0.5, \"Something else\" = 5 }\n",
    )
    .unwrap();
    let list = folder.join("substances.toml");
    let capital = folder.join("Substances.toml");
    std::fs::rename(&list, &capital).unwrap();
    let said = declare();
    let shown = folder.display().to_string();
    for wanted in [
        looked(&shown, none),
        format!("warning: {shown}/Substances.toml: This file is not read;"),
    ] {
        assert!(said.err.contains(&wanted), "{wanted}: {said:?}");
    }
    std::fs::rename(&capital, &list).unwrap();
    let said = declare();
    assert!(!said.err.contains("looked for"), "{said:?}");
    // 1.2 g of lavender: 30 % of it 0.36 g, and 0.8 g · 0.5 % = 0.004 g; 0.64 g eugenol; 0.012 g coumarin;
    // limonene 0.0006 g of 100 g is 0.0006 % and not named. Both oils are entries themselves.
    assert!(
        said.out.starts_with(
            "INGREDIENTS: Helianthus Annuus Seed Oil, Lavandula Angustifolia Oil, Eugenia Caryophyllus Bud Oil, \
             Eugenol, Linalool, Coumarin\n"
        ),
        "{said:?}"
    );
    for wanted in [
        "Eugenol                   0.640  0.6400  named",
        "Linalool                  0.364  0.3640  named",
        "Coumarin                  0.012  0.0120  named",
        "Limonene                  0.001  0.0006  below",
        "named above 0.001 % (leave-on)",
    ] {
        assert!(said.out.contains(wanted), "{wanted}\n{}", said.out);
    }
    assert!(!said.out.contains("NOT COMPLETE"), "{said:?}");
}

/// C.R.C., c. 869, s. 21.4(4) (SOR/2024-63): those of the EU's list, "greater than 0.01%" in a rinse-off and "greater
/// than 0.001%" in a leave-on product; (0.1) has no list of its own.
#[test]
fn canada_names_what_the_eu_names_and_above_the_same_shares() {
    let person = Person::new();
    let closed = crate::bench_side::logs::closed;
    let logs = person.path("logs");
    std::fs::create_dir_all(&logs).unwrap();
    std::fs::write(
        person.path("substances.toml"),
        "[[substance]]\nname = \"Scent\"\nconstituents = { Linalool = 1, Vanillin = 10, Limonene = 1.1, Coumarin = 10.1 }\n",
    )
    .unwrap();
    // 0.1 g of 100 g: linalool 0.001 %, vanillin 0.01 %, limonene 0.0011 %, coumarin 0.0101 %.
    for (stay, named) in [
        ("leave-on", &["Coumarin", "Vanillin", "Limonene"][..]),
        ("rinse-off", &["Coumarin"][..]),
    ] {
        let formula = format!(
            "[formula]\nname = \"Balm\"\nuse = \"{stay}\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Oil\"\n\
             inci = \"Helianthus Annuus Seed Oil\"\npercent = 99.9\n[[phase.ingredient]]\nname = \"Scent\"\n\
             inci = \"Parfum\"\npercent = 0.1\n"
        );
        let begun = Begun {
            formula: &formula,
            label: "Balm",
            size: Mass::from_g(100),
            jars: None,
            at: "2026-09-01T09:00:00Z",
        };
        let rows = [
            weighed(1, "Oil", "O", 99_900),
            weighed(2, "Scent", "S", 100),
            closed(),
        ];
        begun.written(&logs, stay, &rows);
        std::fs::write(person.path("balm.toml"), &formula).unwrap();
        let said = |rules: &str| {
            let words = ["declaration", stay, "--logs", "logs", "--formula"];
            let more = ["balm.toml", "--net", "1.2346kg", "--rules", rules];
            person.run(&[&words[..], &more[..]].concat()).ended(0).out
        };
        let (ca, eu) = (said("ca"), said("eu"));
        let wanted = format!(
            "INGREDIENTS: Helianthus Annuus Seed Oil, Parfum, {}",
            named.join(", ")
        );
        assert_eq!(ca.lines().next(), Some(wanted.as_str()));
        assert_eq!(ca.lines().next(), eu.lines().next());
        for words in [
            "at or under 1 %, may follow in any order after the others (Canada, ",
            "Net quantity: 1.23 kg, rounded down (as typed)",
        ] {
            assert!(ca.contains(words), "{words}\n{ca}");
        }
        assert!(said("us").starts_with("INGREDIENTS: Helianthus Annuus Seed Oil, Parfum\n"));
    }
}
