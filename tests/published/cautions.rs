//! Cautions by ingredient names.
//!
//! Source of the names: INCI names and common English names from memory and common practice, written here
//! apart from the lists in the code; no published list was at hand. That "alcohol" alone is the INCI name
//! of ethanol, and that cetyl, stearyl and benzyl alcohol do not burn as spirits do, is from memory too.

use bismar::formula::Formula;
use bismar::formula::cautions::{Hazard, STANDING, cautions, clinging, lines};
use bismar::formula::contents::{Known, limited};

use crate::bench_side::person::Person;

/// A formula of these ingredients `(name, inci)`, in equal parts as far as it goes.
fn formula(ingredients: &[(&str, &str)], extra: &str) -> Formula {
    let mut text = String::from("[formula]\nname = \"Trial\"\n[[phase]]\n");
    for (name, inci) in ingredients {
        text.push_str(&format!(
            "[[phase.ingredient]]\nname = \"{name}\"\npercent = 0.5\n{extra}\n"
        ));
        if !inci.is_empty() {
            text.push_str(&format!("inci = \"{inci}\"\n"));
        }
    }
    text.push_str("[[phase.ingredient]]\nname = \"Filler\"\nbalance = true\n");
    Formula::parse(&text, "trial.toml").unwrap_or_else(|e| panic!("{e}"))
}

fn hazards(ingredients: &[(&str, &str)]) -> Vec<Hazard> {
    let found = cautions(&formula(ingredients, ""), &Known::default());
    found.into_iter().map(|caution| caution.hazard).collect()
}

#[test]
fn each_hazard_is_known_by_its_names() {
    use Hazard::*;
    let alone: [(&str, &str, Hazard); 84] = [
        ("Lavender essential oil", "", EssentialOil),
        ("Essential oils", "", EssentialOil),
        ("Lavender EO", "", EssentialOil),
        (
            "Scent of the house",
            "Lavandula Angustifolia Oil",
            EssentialOil,
        ),
        (
            "Ti tree",
            "Melaleuca Alternifolia (Tea Tree) Leaf Oil",
            EssentialOil,
        ),
        ("Tea-tree oil", "", EssentialOil),
        ("CLOVE BUD OIL", "", EssentialOil),
        ("Ylang-ylang oil", "", EssentialOil),
        ("Jasmine absolute", "", EssentialOil),
        ("Sea breeze", "Parfum", EssentialOil),
        ("Fragrance oil no. 3", "", EssentialOil),
        ("Clary", "Salvia Sclarea Oil", EssentialOil),
        ("Sodium Hydroxide", "", Lye),
        ("sodium hydroxide, 30 % in water", "", Lye),
        ("NaOH", "", Lye),
        ("KOH flakes", "", Lye),
        ("Lye", "", Lye),
        ("pH adjuster", "Potassium Hydroxide", Lye),
        ("Caustic soda", "", Lye),
        ("Alcohol", "", Alcohol),
        ("Alcohol 96 %", "", Alcohol),
        ("Alcohol Denat.", "", Alcohol),
        ("SD Alcohol 40-B", "", Alcohol),
        ("Isopropyl alcohol", "", Alcohol),
        ("Rubbing alcohol", "", Alcohol),
        ("Perfumer's alcohol", "", Alcohol),
        ("Ethyl Alcohol", "", Alcohol),
        ("Ethanol", "", Alcohol),
        ("Isopropanol", "", Alcohol),
        ("Grain alcohol", "", Alcohol),
        ("Citric acid", "", AcidDust),
        ("Citric Acid Anhydrous", "", AcidDust),
        ("Sour salt", "Tartaric Acid", AcidDust),
        ("Malic acid", "", AcidDust),
        ("Cream of tartar", "", AcidDust),
        ("Ascorbic acid", "", AcidDust),
        ("Spirit", "Alcohol", Alcohol),
        ("Essential oil blend", "", EssentialOil),
        // Spirits under other names.
        ("Vodka", "", Alcohol),
        ("Surgical spirit", "", Alcohol),
        ("Weingeist", "", Alcohol),
        ("Alkohol 70 %", "", Alcohol),
        ("Alcool", "", Alcohol),
        ("Éthanol", "", Alcohol),
        ("Etanolo", "", Alcohol),
        ("Lösungsmittel", "Alcohol Denat.", Alcohol),
        ("Nail clean", "Acetone", Alcohol),
        // Powders.
        ("Talkum", "Talc", Dust),
        ("White clay", "", Dust),
        ("Weiße Tonerde", "Kaolin", Dust),
        ("Neo clay", "", Dust),
        ("Lyell clay", "", Dust),
        ("Bentonite", "", Dust),
        ("Maisstärke", "Zea Mays Starch", Dust),
        ("Foaming powder", "Sodium Cocoyl Isethionate", Dust),
        ("Tensid", "Sodium Lauryl Sulfoacetate", Dust),
        ("Glitter", "Mica", Dust),
        ("Zinc oxide", "", Dust),
        // Peroxide.
        ("Bleach", "Hydrogen Peroxide", Peroxide),
        ("Sodium percarbonate", "", Peroxide),
        // Isolates; what is a part of an oil's name is none.
        ("Thymol crystals", "", Isolate),
        ("Vanillin", "", Isolate),
        ("D-Limonene", "", Isolate),
        ("Duftstoff", "Linalool", Isolate),
        // Wax and nuts.
        ("Bienenwachs", "Cera Alba", HotWax),
        ("Beeswax", "", HotWax),
        ("Candelilla wax", "", HotWax),
        ("Carnauba", "Copernicia Cerifera Cera", HotWax),
        ("Sweet almond oil", "", NutOil),
        ("Mandelöl", "Prunus Amygdalus Dulcis Oil", NutOil),
        ("Erdnussöl", "Arachis Hypogaea Oil", NutOil),
        ("Hazelnut oil", "", NutOil),
        ("Noisette", "Corylus Avellana Seed Oil", NutOil),
        ("Macadamia", "Macadamia Ternifolia Seed Oil", NutOil),
        // Water; nothing here preserves it.
        ("Distilled water", "", WaterWithoutPreservative),
        ("Wasser", "Aqua", WaterWithoutPreservative),
        ("Water, boiled", "", WaterWithoutPreservative),
        ("Lavender hydrosol", "", WaterWithoutPreservative),
        (
            "Rosenwasser",
            "Rosa Damascena Flower Water",
            WaterWithoutPreservative,
        ),
        (
            "Aloe",
            "Aloe Barbadensis Leaf Juice",
            WaterWithoutPreservative,
        ),
        ("Orange blossom water", "", WaterWithoutPreservative),
        (
            "Lavendelwasser",
            "Lavandula Angustifolia Flower Water",
            WaterWithoutPreservative,
        ),
        ("Rose petal water", "", WaterWithoutPreservative),
        ("Aqua", "", WaterWithoutPreservative),
    ];
    for (name, inci, hazard) in alone {
        assert_eq!(hazards(&[(name, inci)]), [hazard], "{name} ({inci})");
    }
    type Pair = [(&'static str, &'static str); 2];
    let together: [(Pair, &[Hazard]); 17] = [
        ([("Soap base", ""), ("Lactic acid", "")], &[SoapWithAcid]),
        (
            [("Base", "Sodium Palmate"), ("Vinegar", "")],
            &[SoapWithAcid],
        ),
        (
            [("Base", "Potassium Cocoate"), ("Citric acid", "")],
            &[SoapWithAcid, AcidDust],
        ),
        (
            [("Sodium palm kernelate", ""), ("Lemon juice", "")],
            &[SoapWithAcid],
        ),
        (
            [("Baking soda", ""), ("Citric acid", "")],
            &[AcidDust, AcidWithBicarbonate],
        ),
        (
            [("Bicarb", "Sodium Bicarbonate"), ("Lactic acid", "")],
            &[AcidWithBicarbonate],
        ),
        ([("Lye", ""), ("Lactic acid", "")], &[Lye, LyeWithAcid]),
        (
            [("Zitrusöl", "Citrus Limon Peel Oil"), ("Öl", "")],
            &[EssentialOil, CitrusOil],
        ),
        (
            [("Sweet orange oil", ""), ("Bergamot oil", "")],
            &[EssentialOil, CitrusOil],
        ),
        (
            [("Menthol crystals", ""), ("Oil", "")],
            &[Isolate, MentholOrCamphor],
        ),
        (
            [("Kampfer", "Camphor"), ("Oil", "")],
            &[Isolate, MentholOrCamphor],
        ),
        (
            [("Minzöl", "Mentha Piperita Oil"), ("Oil", "")],
            &[EssentialOil, MentholOrCamphor],
        ),
        (
            [("Salicylic acid", ""), ("Baking soda", "")],
            &[AcidWithBicarbonate, SalicylicAcid],
        ),
        // Preserved, or boiled to soap: no word of spoiling.
        ([("Water", ""), ("Phenoxyethanol", "")], &[]),
        (
            [("Wasser", "Aqua"), ("Konservierer", "Sodium Benzoate")],
            &[],
        ),
        ([("Water", ""), ("Lye", "")], &[Lye]),
        ([("Water lily oil", ""), ("Waterproof base", "")], &[]),
    ];
    for (ingredients, wanted) in together {
        assert_eq!(hazards(&ingredients), wanted, "{ingredients:?}");
    }
}

/// Names of products for the bath, and of what foams in them; common practice, no source.
#[test]
fn a_product_for_the_bath_and_what_foams_are_known_by_their_names() {
    use bismar::formula::kind::{Kind, is_for_bath, kinds};
    for name in [
        "Bath soak",
        "Foam bath",
        "Badesalz",
        "Badsalz",
        "Badekugel",
        "Fußbad",
        "Vollbad",
        "Sel de bain",
        "Huile pour le bain",
        "Lait pour bains",
        "Baignoire",
    ] {
        assert!(is_for_bath(name), "{name}");
    }
    for name in [
        "Hand balm",
        "Handbalsam",
        "Lip balm",
        "Baume",
        "Dune soap",
        "Badger balm",
        "",
    ] {
        assert!(!is_for_bath(name), "{name}");
    }
    // A name that tells nothing stands only where no other tells more.
    assert_eq!(kinds(["Sea salt"], []), [Kind::Plain]);
    assert_eq!(
        kinds(["Sea salt", "Lavender oil"], []),
        kinds(["Lavender oil"], [])
    );
    assert!(!kinds(["Sea salt", "Lavender oil"], []).is_empty());
    let foams = |name: &str| kinds([name], []).contains(&Kind::Detergent);
    for name in [
        "Sodium Lauroyl Sarcosinate",
        "Decyl Glucoside",
        "Cocamidopropyl Betaine",
        "SLSA",
        "Surfactant",
        "Sodium Coco-Sulfate",
        "Kokosglucosid",
    ] {
        assert!(foams(name), "{name}");
    }
    for name in [
        "Coconut Oil",
        "Sodium Sulfate",
        "Magnesium Sulfate",
        "Betaine",
        "Lauric Acid",
    ] {
        assert!(!foams(name), "{name}");
    }
}

#[test]
fn what_sounds_alike_is_no_hazard() {
    let harmless = [
        "Hydroxypropyl methylcellulose",
        "Hydroxypropyl starch phosphate",
        "Sodium hyaluronate",
        "Sodium chloride",
        "Magnesium hydroxide",
        "Hydroxyethylcellulose",
        "Sodium lauroyl sarcosinate",
        "Cetyl alcohol",
        "Stearyl Alcohol",
        "Cetearyl Alcohol",
        "Benzyl Alcohol",
        "Behenyl alcohol",
        "Lanolin alcohol",
        "Wool wax alcohol",
        "Phenethyl alcohol",
        "Polyvinyl alcohol",
        "Fatty alcohol",
        "Alcohol-free witch hazel",
        "Lanolin alcohols",
        "Fragrance-free base",
        "Soap-free cleanser",
        "Sunflower oil",
        "Olive oil",
        "Jojoba oil",
        "Camellia (tea) seed oil",
        "Lavender-infused olive oil",
        "Dried lavender buds",
        "Rosehip seed oil",
        "Grape seed oil",
        "Lemon peel powder",
        "Rosemary leaf extract",
        "Shea butter",
        "Stearic acid",
        "Hyaluronic acid",
        "Baking soda",
        "Soap base",
        "Soap nuts",
        "Soapwort root",
        "Pine nut oil",
        "Kohlrabi powder",
        "Citric acid solution",
    ];
    for name in harmless {
        assert_eq!(hazards(&[(name, "")]), [], "{name}");
    }
    let inci = [
        "Helianthus Annuus Seed Oil",
        "Rosa Canina Seed Oil",
        "Salvia Hispanica Seed Oil",
        "Rosmarinus Officinalis Leaf Extract",
        "Citrus Grandis Seed Oil",
        "Cocos Nucifera Oil",
        "Butyrospermum Parkii Butter",
    ];
    for inci in inci {
        assert_eq!(hazards(&[("Part", inci)]), [], "{inci}");
    }
    // One of the two kinds alone is none of both.
    assert_eq!(hazards(&[("Soap base", ""), ("Stearic acid", "")]), []);
    assert_eq!(hazards(&[("Baking soda", ""), ("Oleic acid", "")]), []);
    assert_eq!(
        hazards(&[("Soap-safe colour", ""), ("Lactic acid", "")]),
        []
    );
}

/// Who writes in German or French is warned as who writes in English is. Names: common practice, no source.
#[test]
fn german_and_french_names_are_known_without_their_inci() {
    use Hazard::*;
    let mut wrong: Vec<(String, Vec<Hazard>)> = Vec::new();
    let mut hold = |parts: &[(&str, &str)], wanted: &[Hazard]| {
        let found = hazards(parts);
        if found != wanted {
            wrong.push((format!("{parts:?}"), found));
        }
    };
    for (name, hazard) in [
        ("Lavendelöl", EssentialOil),
        ("LAVENDELÖL", EssentialOil),
        ("Lavendel-Öl", EssentialOil),
        ("Bio Lavendel Öl fein", EssentialOil),
        ("Teebaumöl bio", EssentialOil),
        ("Teebaumoel", EssentialOil),
        ("ätherisches Öl Lavendel", EssentialOil),
        ("Lavendel, äth. Öl", EssentialOil),
        ("Nelkenoel", EssentialOil),
        ("Nelkenknospenöl", EssentialOil),
        ("Kamillenblütenöl", EssentialOil),
        ("Zedernholzöl", EssentialOil),
        ("Fichtennadelöl", EssentialOil),
        ("Wacholderbeeröl", EssentialOil),
        ("Rosenöl", EssentialOil),
        ("Muskatellersalbeiöl", EssentialOil),
        ("Zitronengrasöl", EssentialOil),
        ("Weihrauchöl", EssentialOil),
        ("Korianderöl", EssentialOil),
        ("Schafgarbenöl", EssentialOil),
        ("Duftöl Meer", EssentialOil),
        ("Tea Tree Öl", EssentialOil),
        ("Clary Sage Öl", EssentialOil),
        ("Parfümöl Düne", EssentialOil),
        ("Parfum marin", EssentialOil),
        ("Huile essentielle de lavande", EssentialOil),
        ("HE lavande vraie", EssentialOil),
        ("Huile de lavande", EssentialOil),
        ("huile d'ylang-ylang", EssentialOil),
        ("HUILE D’ARBRE À THÉ", EssentialOil),
        ("huile de cedre", EssentialOil),
        ("Huile de géranium rosat", EssentialOil),
        ("Essence de cyprès", EssentialOil),
        ("Absolue de jasmin", EssentialOil),
        ("Huile de clou de girofle", EssentialOil),
        ("Natriumhydroxid", Lye),
        ("Ätznatron", Lye),
        ("Aetznatron Perlen", Lye),
        ("ÄTZKALI", Lye),
        ("Natronlauge 30 %", Lye),
        ("Natron-Lauge", Lye),
        ("Kalilauge in Wasser", Lye),
        ("Soude", Lye),
        ("Soude caustique", Lye),
        ("Soude en perles", Lye),
        ("hydroxyde de sodium", Lye),
        ("lessive de soude", Lye),
        ("Zitronensäure", AcidDust),
        ("Zitronensaeure Monohydrat", AcidDust),
        ("Zitronensäurepulver", AcidDust),
        ("Weinsteinsäure", AcidDust),
        ("Ascorbinsäure", AcidDust),
        ("Acide citrique", AcidDust),
        ("acide tartrique", AcidDust),
        ("Crème de tartre", AcidDust),
        ("Weingeist", Alcohol),
        ("Isopropylalkohol", Alcohol),
        ("Ethylalkohol", Alcohol),
        ("Primasprit", Alcohol),
        ("Trinkalkohol", Alcohol),
        ("Alcool à 96", Alcohol),
        ("éthanol", Alcohol),
        ("Eau-de-vie", Alcohol),
        ("Maisstärke", Dust),
        ("Kartoffelstaerke", Dust),
        ("Talkum", Dust),
        ("Heilerde", Dust),
        ("Zinkoxid", Dust),
        ("Aktivkohle", Dust),
        ("SLSA", Dust),
        ("Natriumlaurylsulfoacetat", Dust),
        ("Argile verte", Dust),
        ("Amidon de maïs", Dust),
        ("amidon de mais", Dust),
        ("Fécule de pomme de terre", Dust),
        ("Wasserstoffperoxid", Peroxide),
        ("Natriumpercarbonat", Peroxide),
        ("Eau oxygénée", Peroxide),
        ("Percarbonate de soude", Peroxide),
        ("Bienenwachs", HotWax),
        ("Candelillawachs", HotWax),
        ("Bienen-Wachs", HotWax),
        ("Cire d'abeille", HotWax),
        ("Mandelöl süß", NutOil),
        ("Mandeloel", NutOil),
        ("Haselnussöl", NutOil),
        ("Haselnußöl", NutOil),
        ("Arganöl", NutOil),
        ("Erdnussbutter", NutOil),
        ("Huile d’amande douce", NutOil),
        ("huile d'amande", NutOil),
        ("Huile de noisette", NutOil),
        ("Beurre de pistache", NutOil),
        ("Destilliertes Wasser", WaterWithoutPreservative),
        ("Wasser, demineralisiert", WaterWithoutPreservative),
        ("Rosenhydrolat", WaterWithoutPreservative),
        ("Lavendelwasser", WaterWithoutPreservative),
        ("Eau de rose", WaterWithoutPreservative),
        ("Eau déminéralisée", WaterWithoutPreservative),
        ("Hydrolat de lavande", WaterWithoutPreservative),
    ] {
        hold(&[(name, "")], &[hazard]);
    }
    for (names, wanted) in [
        (&["Orangenöl", "Salz"][..], &[EssentialOil, CitrusOil][..]),
        (&["Huile d’orange douce"], &[EssentialOil, CitrusOil]),
        (&["Essence de citron"], &[EssentialOil, CitrusOil]),
        (&["Pfefferminzöl"], &[EssentialOil, MentholOrCamphor]),
        (&["Eukalyptusöl"], &[EssentialOil, MentholOrCamphor]),
        (&["Eucalyptusöl"], &[EssentialOil, MentholOrCamphor]),
        (
            &["Huile de menthe poivrée"],
            &[EssentialOil, MentholOrCamphor],
        ),
        (&["Natron", "Milchsäure"], &[AcidWithBicarbonate]),
        (
            &["Bicarbonate de soude", "vinaigre"],
            &[AcidWithBicarbonate],
        ),
        (&["Kernseife", "Essig"], &[SoapWithAcid]),
        (&["Savon de Marseille", "acide acetique"], &[SoapWithAcid]),
        (&["Salicylsäure"], &[SalicylicAcid]),
        (&["Campher"], &[Isolate, MentholOrCamphor]),
    ] {
        let parts: Vec<(&str, &str)> = names.iter().map(|name| (*name, "")).collect();
        hold(&parts, wanted);
    }
    hold(&[("Wasser", ""), ("Kaliumsorbat", "")], &[]);
    // What a name says that it is not holds for its INCI name too.
    hold(&[("Zitronensäurelösung 50 %", "Citric Acid")], &[]);
    hold(&[("Citric Acid flüssig", "")], &[]);
    hold(&[("Kaolin, pâte", "Kaolin")], &[]);
    hold(&[("Tea Tree Extrakt in Öl", "")], &[]);
    for name in [
        "Sonnenblumenöl",
        "Olivenöl",
        "Kokosöl",
        "Kokosnussöl",
        "Schwarzkümmelöl",
        "Wildrosenöl",
        "Traubenkernöl",
        "Johanniskrautöl",
        "Ringelblumenöl",
        "Lavendelblüten",
        "Rosenblätter",
        "Zitronenschalen",
        "Orangenschalenpulver",
        "Meersalz",
        "Hafermehl",
        "Hyaluronsäure",
        "Stearinsäure",
        "Cetylalkohol",
        "Cetearylalkohol",
        "Wollwachs",
        "Jojobawachs",
        "Seifenkraut",
        "Tonic ohne Alkohol",
        "Huile de tournesol",
        "Huile d'olive",
        "Huile de noix de coco",
        "Huile de pépins de raisin",
        "Huile d'amande d'abricot",
        "Huile de rose musquée",
        "Huile de nigelle",
        "Fleurs de lavande",
        "Zeste de citron",
        "Sel de mer",
        "Acide stéarique",
        "Beurre de karité",
        "Mousse sans parfum",
        "Nachtkerzenöl",
        "Hagebuttenkernöl",
    ] {
        hold(&[(name, "")], &[]);
    }
    assert_eq!(wrong, [], "what was found is wrong");
}

/// The maker's list says what no name tells, in any language; a premix and a constituent are looked into.
#[test]
fn kinds_of_the_list_and_what_is_in_a_premix_count() {
    let list = "[[substance]]\nname = \"Sanddornauszug\"\nkind = [\"flammable\", \"nut oil\"]\n\
                [[substance]]\ninci = \"Mentha Viridis Extract\"\nconstituents = { Menthol = 20 }\n";
    let mix = "[formula]\nname = \"Mix\"\n[[phase]]\n[[phase.ingredient]]\nname = \"Kampfer\"\n\
               inci = \"Camphor\"\npercent = 40\n[[phase.ingredient]]\nname = \"Rest\"\nbalance = true\n\
               caution = \"Keep it cold.\"\n";
    let known = Known {
        premixes: vec![Formula::parse(mix, "mix.toml").unwrap()],
        substances: bismar::formula::substances::parse(list, "substances.toml").unwrap(),
        ..Known::default()
    };
    let all = formula(
        &[("Sanddornauszug", ""), ("Minze", "Mentha viridis  EXTRACT")],
        "",
    );
    let found = cautions(&all, &known);
    let told: Vec<_> = found
        .iter()
        .map(|one| (one.hazard, one.ingredients.join("; ")))
        .collect();
    assert_eq!(
        told,
        [
            (Hazard::MentholOrCamphor, "Menthol (in Minze)".to_owned()),
            (Hazard::Alcohol, "Sanddornauszug".to_owned()),
            (Hazard::NutOil, "Sanddornauszug".to_owned()),
        ]
    );
    let with_mix = formula(&[("Blend", "")], "premix = \"mix\"");
    let lines = bismar::formula::cautions::lines(&with_mix, &known);
    assert_eq!(lines.len(), 4, "{lines:?}");
    assert_eq!(lines[0], "Rest (in Blend): Keep it cold.");
    assert!(
        lines[1].starts_with("Kampfer (in Blend): Pure,"),
        "{lines:?}"
    );
    assert!(
        lines[2].starts_with("Kampfer (in Blend): Menthol, camphor"),
        "{lines:?}"
    );
    assert_eq!(cautions(&with_mix, &Known::default()), []);
}

/// What the list has for a name is its INCI name, for the cautions and for the limit that other lines of it share.
#[test]
fn an_inci_name_of_the_list_counts_as_the_formula_s_own() {
    let list = "[[substance]]\nname = \"Dünenzeug\"\ninci = \"Lavandula Angustifolia Oil\"\nleave_on = 0.8\n";
    let known = Known {
        substances: bismar::formula::substances::parse(list, "substances.toml").unwrap(),
        ..Known::default()
    };
    let all = formula(
        &[
            ("dünenzeug", ""),
            ("Scent of the house", "Lavandula Angustifolia Oil"),
        ],
        "",
    );
    let found = cautions(&all, &known);
    assert_eq!(found[0].hazard, Hazard::EssentialOil);
    assert_eq!(found[0].ingredients, ["dünenzeug", "Scent of the house"]);
    let limits = limited(&all, &known);
    let sources: Vec<_> = limits.iter().map(|one| one.sources().join("; ")).collect();
    assert!(
        sources.contains(&"dünenzeug; Scent of the house".to_owned()),
        "{sources:?}"
    );
}

/// Whole words count, in her language: what only looks like one of them hides no caution.
#[test]
fn her_own_caution_hides_only_what_it_says() {
    for (name, own, hidden) in [
        ("Sweet almond oil", "Stir for ten minutes.", false),
        ("Mandelöl", "Handschuhe benutzen.", false),
        ("Mandelöl", "Nüsse auf dem Etikett nennen.", true),
        ("Huile de noisette", "Contient des fruits à coque.", true),
        ("Sweet almond oil", "Name the nut on the label.", true),
        ("Citric acid", "An industrial grade.", false),
        ("Zitronensäure", "Staub reizt: Maske.", true),
        ("Acide citrique", "Poussières irritantes.", true),
        ("Talc", "Ne pas respirer.", true),
        ("Beeswax", "Heißes Wachs brennt.", true),
        ("Wasserstoffperoxid", "Gibt Sauerstoff ab.", true),
    ] {
        let own = format!("caution = \"{own}\"");
        let found = cautions(&formula(&[(name, "")], &own), &Known::default());
        assert_eq!(found.is_empty(), hidden, "{name}: {own}: {found:?}");
    }
    let sun = |own: &str| {
        let own = format!("caution = \"{own}\"");
        let found = cautions(&formula(&[("Lemon oil", "")], &own), &Known::default());
        found.iter().any(|one| one.hazard == Hazard::CitrusOil)
    };
    assert!(sun("Thin it with sunflower oil first."));
    assert!(sun("Mit Sonnenblumenöl verdünnen."));
    assert!(!sun("Nicht in die Sonne."));
    assert!(!sun("Évitez le soleil."));
}

#[test]
fn what_the_maker_says_already_is_not_said_again() {
    let own = "caution = \"Essential oils irritate. The supplier sets how much.\"";
    assert_eq!(
        cautions(
            &formula(&[("Lavender essential oil", "")], own),
            &Known::default()
        ),
        []
    );
    // Half of it is said: the other half stays.
    let own = "caution = \"They irritate skin and eyes.\"";
    let found = cautions(
        &formula(&[("Lavender essential oil", "")], own),
        &Known::default(),
    );
    assert_eq!(found.len(), 1);
    assert!(found[0].text.starts_with("How much") && found[0].text.contains("IFRA certificate"));
    assert!(!found[0].text.contains("irritate"));
    // The same ingredient in the same words only once; two ingredients in one caution.
    let two = formula(&[("Lavender oil", ""), ("Clove oil", "")], "");
    assert_eq!(
        cautions(&two, &Known::default())[0].ingredients,
        ["Lavender oil", "Clove oil"]
    );
    let standing = STANDING.english();
    assert!(standing.contains("local codes") && standing.contains("licensed person"));
}

#[test]
fn her_own_caution_of_several_ingredients_stands_in_one_line() {
    let text = "[formula]\nname = \"Trial\"\n[[phase]]\n\
                [[phase.ingredient]]\nname = \"Salt\"\npercent = 1\ncaution = \"Slow.\"\n\
                [[phase.ingredient]]\nname = \"Clay\"\npercent = 1\ncaution = \"Dust.\"\n\
                [[phase.ingredient]]\nname = \"Oat\"\npercent = 1\ncaution = \"Slow.\"\n\
                [[phase]]\n[[phase.ingredient]]\nname = \"Salt\"\nbalance = true\ncaution = \"Slow.\"\n";
    let formula = Formula::parse(text, "trial.toml").unwrap();
    let lines = lines(&formula, &Known::default());
    let lines: Vec<String> = lines.iter().map(ToString::to_string).collect();
    assert_eq!(lines[..2], ["Salt, Oat: Slow.", "Clay: Dust."]);
}

#[test]
fn thick_liquids_cling_and_powders_do_not() {
    let cling = |name| {
        let lines = clinging(&formula(&[(name, "")], ""), &Known::default());
        lines.first().copied()
    };
    for name in [
        "Honey",
        "Vegetable glycerin",
        "Glycerol 86 %",
        "Maple syrup",
        "Polysorbate 20",
        "Lecithin",
        "Lezithin",
        "Lécithine de tournesol",
    ] {
        assert_eq!(cling(name), Some(true), "{name}");
    }
    for name in [
        "Honey powder",
        "Glyceryl stearate",
        "Honeysuckle oil",
        "Corn syrup solids",
        "Water",
        "Lecithin, Pulver",
        "Glycerin Seife",
        "Lécithine en poudre",
    ] {
        assert_eq!(cling(name), Some(false), "{name}");
    }
    // What the maker's list says of a name counts as the name does.
    let list = "[[substance]]\nname = \"Dune jelly\"\nkind = \"thick\"\n";
    let known = Known {
        substances: bismar::formula::substances::parse(list, "substances.toml").unwrap(),
        ..Known::default()
    };
    let jelly = formula(&[("Dune jelly", "")], "");
    assert_eq!(clinging(&jelly, &Known::default()), [false, false]);
    assert_eq!(clinging(&jelly, &known), [true, false]);
}

// ---- the program itself --------------------------------------------------------------------------

/// As a person sees it: the cautions at the end of `check`, the note on a missing limit at its beginning.
#[test]
fn check_shows_cautions_and_asks_for_a_limit() {
    let person = Person::new();
    let file = person.file(
        "fizz.toml",
        "[formula]\nname = \"Fizz\"\n[[phase]]\n\
         [[phase.ingredient]]\nname = \"Baking soda\"\nbalance = true\n\
         [[phase.ingredient]]\nname = \"Citric acid\"\npercent = 30\n\
         [[phase.ingredient]]\nname = \"Peppermint oil\"\npercent = 1\ncaution = \"Not for children.\"\n\
         [[phase.ingredient]]\nname = \"Cetyl alcohol\"\npercent = 1\n",
    );
    let said = person
        .run(&["check", file.to_str().unwrap(), "--batch", "1kg"])
        .ended(0);
    let words = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for wanted in [
        "fizz.toml:10:1: \"Peppermint oil\" is an essential oil or fragrance and has no greatest share.",
        "limits = { max = ... }",
        "- Peppermint oil: Not for children. - Peppermint oil: Undiluted,",
        "- Citric acid: Acid dust irritates",
        "- Baking soda, Citric acid: Acid and bicarbonate or carbonate give off gas",
        STANDING.english(),
    ] {
        assert!(words.contains(wanted), "{wanted}\n{}", said.out);
    }
    assert!(!words.contains("catch fire"), "{}", said.out);
    assert!(
        said.out.lines().all(|line| line.chars().count() <= 80),
        "{}",
        said.out
    );
}

/// Who reads no caution beside a name must know whether there is none or nobody looked. Names: from memory; those that
/// are invented nobody has.
#[test]
fn a_name_that_tells_nothing_is_named_and_one_that_is_known_as_harmless_is_not() {
    let told = |ingredients: &[(&str, &str)], known: &Known| {
        let mut all = bismar::formula::cautions::lines(&formula(ingredients, ""), known);
        all.pop().map(|line| line.to_string()).unwrap_or_default()
    };
    let none = Known::default();
    for harmless in [
        "Sea salt",
        "Coarse sea salt",
        "Meersalz, grob",
        "Gros sel de mer",
        "Sel d'Epsom",
        "Bittersalz",
        "Sunflower oil, organic",
        "Sonnenblumenöl",
        "Huile de tournesol",
        "Huile d'olive vierge extra",
        "Kakaobutter desodoriert",
        "Beurre de karité",
        "Farine d'avoine",
        "Helianthus Annuus Seed Oil",
        "Butyrospermum Parkii Butter",
        "Caprylic/Capric Triglyceride",
        "Cetearyl Alcohol",
        "Tocopherol",
    ] {
        let all = told(&[(harmless, "")], &none);
        assert!(all.starts_with("Filler: not known to bismar"), "{all}");
    }
    // Those of the second row are scents or nothing that is known, though they end as a fixed oil.
    for strange in [
        "Dune stuff",
        "Schlickpulver",
        "Coriandrum Sativum Seed Oil",
        "Sea salt with dune stuff",
    ] {
        let all = told(&[(strange, ""), ("Honey", "")], &none);
        let first = format!("{strange}, Filler: not known to bismar by name");
        assert!(all.starts_with(&first), "{all}");
    }
    // The INCI name tells, the maker's list too, and what she wrote herself.
    let list = "[[substance]]\nname = \"Dune stuff\"\nkind = \"plain\"\n[[substance]]\nname = \"Filler\"\nkind = \"dust\"\n";
    let known = Known {
        substances: bismar::formula::substances::parse(list, "substances.toml").unwrap(),
        ..Known::default()
    };
    let all = told(&[("Dune stuff", ""), ("Strandzeug", "Maris Sal")], &known);
    assert!(all.starts_with("Filler: Fine powder"), "{all}");
    let own = formula(&[("Dune stuff", "")], "caution = \"Keep it cold.\"");
    let all: Vec<String> = (bismar::formula::cautions::lines(&own, &none).iter())
        .map(ToString::to_string)
        .collect();
    assert_eq!(all.len(), 2, "{all:?}");
    assert!(all[1].starts_with("Filler: not known"), "{all:?}");
    // A plain name takes nothing from what the other name tells.
    assert_eq!(hazards(&[("Sea salt", "Sodium Hydroxide")]), [Hazard::Lye]);
}
