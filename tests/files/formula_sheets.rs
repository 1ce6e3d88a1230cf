//! A spreadsheet's cells as a formula: what an outside reader makes of the same bytes, and what is asked.

use bismar::formula::examples;
use bismar::formula::form::Fields;
use bismar::language::Language;
use bismar::workshop::formula_sheet::{Kind, Means, Pasted, Sheet, csv, sheet};

use crate::bench_side::python;

fn pasted(text: &str) -> Sheet {
    let text = text.to_owned();
    sheet(&Pasted {
        text,
        ..Pasted::default()
    })
    .unwrap()
}

/// Each ingredient and its amount.
fn amounts(sheet: &Sheet) -> Vec<(String, String)> {
    let fields = sheet.fields.as_ref().unwrap_or_else(|| panic!("{sheet:?}"));
    let all = fields.ingredients();
    all.map(|one| (one.name.clone(), one.amount.clone()))
        .collect()
}

/// An amount that is no number is named with its row, all amounts keep the unit that they have, and the sum below is left
/// out as it is without it. In percents the form takes it, and marks it.
#[test]
fn an_odd_cell_is_named_and_changes_no_other_row() {
    let rows =
        "Sea salt\t250\nOat flour\t120,5\nBorage oil\t1.5 tsp\nCitric acid\t12\nTotal\t384\n";
    let takes = |sheet: &Sheet| -> Vec<(String, bool)> {
        let rows = sheet.rows.iter();
        rows.map(|row| (row.takes.to_string(), row.heed)).collect()
    };
    let of = |rows: &[(&str, bool)]| -> Vec<(String, bool)> {
        rows.iter()
            .map(|&(row, heed)| (row.to_owned(), heed))
            .collect()
    };
    let grams = pasted(&format!("Ingredient\tGrams\n{rows}"));
    assert_eq!(
        takes(&grams),
        of(&[
            ("Sea salt, 250 g", false),
            ("Oat flour, 120.5 g", false),
            ("Borage oil, 1.5 tsp", true),
            ("Citric acid, 12 g", false),
            ("left out: it is the sum", true),
        ])
    );
    let odd = "Row 3, Borage oil: \"1.5 tsp\" is no number. Write the number alone, in the unit of the others.";
    let asks: Vec<String> = grams.asks.iter().map(ToString::to_string).collect();
    assert_eq!((asks, grams.fields), (vec![odd.to_owned()], None));
    let percent = pasted(&format!("Ingredient\tPercent\n{rows}"));
    assert!(takes(&percent).contains(&("Borage oil, 1.5 tsp".to_owned(), true)));
    assert!(percent.said.iter().any(|one| *one == odd), "{percent:?}");
    assert_eq!(amounts(&percent).len(), 4);
    // What nobody said the unit of has none.
    let unknown = pasted(&format!("Ingredient\tAmount\n{rows}"));
    assert_eq!(takes(&unknown)[0].0, "Sea salt, 250");
    // Of a rest there are no grams.
    let rest = pasted("Ingredient\tGrams\nSea salt\t250\nOat flour\tq.s.\n");
    let asks: Vec<String> = rest.asks.iter().map(ToString::to_string).collect();
    let why = "Row 2, Oat flour: it has no grams, and without them the others make no percents.";
    assert_eq!((asks, rest.fields), (vec![why.to_owned()], None));
}

/// Python's csv module reads the cells, pandas the numbers with a decimal comma, openpyxl's workbook gives the cells
/// back as a spreadsheet copies them; Python's fractions turn grams into percents.
#[test]
fn an_outside_reader_finds_the_same_names_and_numbers() {
    const READER: &str = r#"
import csv, io, json, sys
from fractions import Fraction
import openpyxl, pandas
text, mark, decimal, name, amount, grams = json.load(sys.stdin)
rows = list(csv.reader(io.StringIO(text), delimiter=mark))
book = openpyxl.Workbook()
for row in rows: book.active.append(row)
rows = [[str(cell or "") for cell in row] for row in book.active.iter_rows(values_only=True)]
frame = pandas.read_csv(io.StringIO(text), sep=mark, decimal=decimal, dtype={name: str})
frame = frame[frame[name].notna()]
heads = rows[0]
names = [" ".join(row[heads.index(name)].split()) for row in rows[1:] if row[heads.index(name)]]
numbers = [Fraction(str(x)) for x in frame[amount]]
assert len(names) == len(numbers), (names, numbers)
if grams: numbers = [n * 100 / sum(numbers) for n in numbers]
print(json.dumps([[n, float(x)] for n, x in zip(names, numbers)]))
"#;
    let cases = [
        (
            "Ingredient;Percent\nSea salt;77,5\n\"Oil; cold \"\"pressed\"\"\";22,5\n",
            ';',
            ',',
            "Ingredient",
            "Percent",
            false,
        ),
        (
            "Percent\tIngredient\n77.5\t\"Sea\nsalt\"\n22.50\tOat flour\n",
            '\t',
            '.',
            "Ingredient",
            "Percent",
            false,
        ),
        (
            "Ingredient,Percent\n\"Salt, coarse\",\"60,25\"\nOil,\"39,75\"\n",
            ',',
            ',',
            "Ingredient",
            "Percent",
            false,
        ),
        (
            "Material;Grams\nSalt;1,250\nOil;2,50\nWax;0,75\n",
            ';',
            ',',
            "Material",
            "Grams",
            true,
        ),
        (
            "name\tgrams\nSalt\t120\nOil\t60\nWax\t20\n",
            '\t',
            '.',
            "name",
            "grams",
            true,
        ),
    ];
    for (text, mark, decimal, name, amount, grams) in cases {
        let input = serde_json::json!([text, mark, decimal, name, amount, grams]).to_string();
        let told = python::asked(READER, python::NO_WORDS, input.as_bytes());
        let theirs: Vec<(String, f64)> = serde_json::from_str(&told).unwrap();
        let ours = amounts(&pasted(text));
        assert_eq!(ours.len(), theirs.len(), "{text}");
        for ((name, amount), (their_name, their_amount)) in ours.iter().zip(&theirs) {
            assert_eq!(name, their_name, "{text}");
            let off = amount.parse::<f64>().unwrap() - their_amount;
            // Grams come to four decimals.
            assert!(
                off.abs() <= if grams { 1e-4 } else { 1e-9 },
                "{text}: {name} {amount}"
            );
        }
    }
}

#[test]
fn a_table_of_ours_comes_back_as_it_went() {
    for (name, text) in examples::ALL {
        let fields = Fields::read(text, name).unwrap().of_no_file();
        let out = csv(&fields).unwrap();
        let sheet = pasted(&out);
        assert_eq!(sheet.asks, [""; 0], "{name}");
        let back = sheet.fields.unwrap();
        let back = Fields {
            name: fields.name.clone(),
            ..back
        }
        .tidied();
        assert_eq!(back.unreadable(), []);
        assert_eq!(back.phases, fields.phases, "{name}:\n{out}");
        assert_eq!(back.in_parts, fields.in_parts);
    }
    // No cell of it is a spreadsheet's formula.
    let mut fields = Fields::read(examples::FIRST_SOAK, "").unwrap();
    fields.phases[0].ingredients[0].name = "=1+1".to_owned();
    assert!(csv(&fields).unwrap().contains("'=1+1"));
}

#[test]
fn what_may_be_two_things_is_asked_and_what_is_left_out_is_told() {
    // Thousands or thousandths.
    let sheet = pasted("Ingredient\tPercent\nSalt\t1,000\nOil\t99\n");
    let fields = sheet.fields.unwrap().tidied();
    let faults = fields.unreadable();
    assert_eq!(faults[0].at, "phases.0.ingredients.0.amount");
    assert!(
        faults[0].say.starts_with("This may be 1 or 1000: "),
        "{faults:?}"
    );
    assert_eq!(fields.phases[0].ingredients[0].amount, "1,000");
    // Nothing says what the numbers are.
    let text = "Ingredient\tAmount\nSalt\t30\nOil\t20\n";
    let sheet = pasted(text);
    assert_eq!((sheet.amounts, sheet.fields), (None, None));
    assert!(
        sheet.asks[0].contains("they make 50 together"),
        "{:?}",
        sheet.asks
    );
    let told = super::formula_sheets::sheet(&Pasted {
        text: text.to_owned(),
        amounts: Some(Kind::Grams),
        ..Pasted::default()
    });
    assert_eq!(amounts(&told.unwrap())[0].1, "60");
    // Shares of one, as a spreadsheet keeps its percents.
    let sheet = pasted("Ingredient\t%\nSalt\t0.75\nOil\t0.25\n");
    assert_eq!(amounts(&sheet)[0].1, "75");
    assert!(
        sheet.said.iter().any(|said| said.contains("shares of one")),
        "{:?}",
        sheet.said
    );
    // Phases in rows of their own, a title above, the rest, a sum below, two amounts.
    let sheet = pasted(
        "Balm of spring\t\t\nMaterial\t%\tg\nMelt\t\t\nOil\tq.s.\t59\nWax\t18\t18\nCool\t\t\nScent\t1\t1\n\t\t\nTotal\t\t78\n",
    );
    let fields = sheet.fields.as_ref().unwrap_or_else(|| panic!("{sheet:?}"));
    let phases: Vec<_> = fields
        .phases
        .iter()
        .map(|phase| phase.name.as_str())
        .collect();
    assert_eq!(phases, ["Melt", "Cool"]);
    assert!(fields.phases[0].ingredients[0].balance);
    for told in [
        "above the headings: Balm of spring",
        "column \"g\" is not used",
    ] {
        assert!(
            sheet.said.iter().any(|said| said.contains(told)),
            "{:?}",
            sheet.said
        );
    }
    assert_eq!(sheet.rows.last().unwrap().takes, "left out: it is the sum");
    // Without headings the columns are looked at, and it is said.
    let sheet = pasted("Sea salt\t80 %\nOil\t20 %\n");
    assert_eq!(sheet.columns, [Means::Ingredient, Means::Amount]);
    assert!(
        sheet.said[0].contains("No row of headings"),
        "{:?}",
        sheet.said
    );
    // An amount that belongs to nothing is not lost in silence.
    let sheet = pasted("Ingredient\t%\nSalt\t80\n\t7\nOil\t20\n");
    assert_eq!(sheet.fields, None);
    assert!(
        sheet.asks[0].starts_with("Row 2 has an amount"),
        "{:?}",
        sheet.asks
    );
}

#[test]
fn no_bytes_do_harm() {
    for text in [
        "",
        "\n\n",
        "\"",
        "\"a\nb",
        "\u{feff}",
        "\0\t\0",
        "a",
        ",,,,",
        ";;\n;;",
        "=1+1\t2\n",
    ] {
        let _ = sheet(&Pasted {
            text: text.to_owned(),
            ..Pasted::default()
        });
    }
    let wide = ["x"; 100].join("\t");
    assert!(
        sheet(&Pasted {
            text: wide,
            ..Pasted::default()
        })
        .is_err()
    );
    let huge = format!(
        "Ingredient\tGrams\n{}",
        "A\t999999999999999999\n".repeat(200)
    );
    let found = pasted(&huge);
    assert!(found.said.iter().all(|said| !said.contains("panic")));
    let columns = Some(vec![Means::Amount, Means::Amount]);
    let twice = sheet(&Pasted {
        text: "a\tb\n1\t2\n".to_owned(),
        columns,
        ..Pasted::default()
    })
    .unwrap();
    assert_eq!(twice.fields, None);
}

/// A German and a French table, with the words that such tables have (common practice, no source), and what is said of
/// them goes through the messages whole.
#[test]
fn a_table_is_read_and_told_in_other_languages() {
    let german = "Phase\tZutat\tINCI-Name\tGew.-%\tHinweis\n\
        Trocken\tMeersalz\tMaris Sal\t77,5\t\n\
        Trocken\tHafermehl\tAvena Sativa Kernel Flour\tauf 100\tStaub\n\
        Öl\tSonnenblumenöl\tHelianthus Annuus Seed Oil\t2,5\t\nSumme\t\t\t80,0\t\n";
    let french =
        "Phase;Ingrédient;Pourcentage\nSèche;Sel;77,5\nSèche;Farine;qsp 100\nHuile;Tournesol;2,5\n";
    for (text, rest) in [(german, "Hafermehl"), (french, "Farine")] {
        let sheet = sheet(&Pasted {
            text: text.to_owned(),
            ..Pasted::default()
        });
        let sheet = sheet.unwrap();
        assert_eq!(sheet.asks, [""; 0], "{sheet:?}");
        let fields = sheet.fields.clone().unwrap();
        let all = fields.phases.iter().flat_map(|phase| &phase.ingredients);
        let all: Vec<_> = all.collect();
        assert_eq!(all.len(), 3, "{sheet:?}");
        assert_eq!((&*all[0].amount, &*all[2].amount), ("77.5", "2.5"));
        assert!(all[1].balance && all[1].name == rest, "{sheet:?}");
        let marked = sheet.put_into(Language::Marked);
        let takes = marked.rows.iter().map(|row| &row.takes);
        for words in marked.said.iter().chain(takes) {
            assert!(words.starts_with('⟦') && words.ends_with('⟧'), "{words}");
        }
    }
    let faults = sheet(&Pasted {
        text: "Sea salt\t60\n\t3\nOil\t1\n".to_owned(),
        ..Pasted::default()
    });
    let faults = faults.unwrap().put_into(Language::Marked);
    for words in faults.asks.iter().chain(&faults.heads) {
        assert!(words.starts_with('⟦') && words.ends_with('⟧'), "{words}");
    }
}

/// Thousands with a point and decimals with a comma, as a German spreadsheet has them; what no cell decides is asked of
/// who writes commas, and taken as ever of who writes points. Common practice, no source.
#[test]
fn no_thousand_is_taken_for_a_one() {
    let told = |cells: &[&str], language: Language| {
        let rows: String = (b'A'..)
            .zip(cells)
            .map(|(name, cell)| format!("{}\t{cell}\n", char::from(name)))
            .collect();
        sheet(&Pasted {
            text: format!("Zutat\tMenge in Gramm\n{rows}"),
            language,
            ..Pasted::default()
        })
        .unwrap()
    };
    let first = |cells: &[&str], language: Language| {
        let sheet = told(cells, language);
        sheet.fields.is_some().then(|| amounts(&sheet)[0].1.clone())
    };
    for language in Language::OFFERED {
        for (cells, is) in [
            (["1.000", "249,5", "750,5"], "50"),
            (["1.000,00", "250", "750"], "50"),
            (["1,000", "249.5", "750.5"], "50"),
            (["1,000.00", "250", "750"], "50"),
            (["1.000.000", "250.000", "750.000"], "50"),
            (["0,500", "1,250", "0,750"], "20"),
            (["0.500", "1.250", "0.750"], "20"),
            (["1,000", "0,5", "0,5"], "50"),
        ] {
            let found = first(&cells, language);
            assert_eq!(found.as_deref(), Some(is), "{language:?} {cells:?}");
        }
    }
    let either = ["1.000", "250", "750"];
    assert_eq!(first(&either, Language::English).as_deref(), Some("0.0999"));
    for (language, says) in [
        (
            Language::German,
            "Zeile 1, „1.000“: Das kann 1 oder 1000 sein: ",
        ),
        (
            Language::French,
            "Ligne 1, «\u{a0}1.000\u{a0}»\u{a0}: Cela peut être 1 ou 1000",
        ),
    ] {
        let sheet = told(&either, language);
        assert_eq!(sheet.fields, None);
        let asks = sheet.put_into(language).asks;
        assert!(asks[0].starts_with(says), "{asks:?}");
        // What makes 100 is read right.
        let found = first(&["12.500", "30.250", "57.250"], language);
        assert_eq!(found.as_deref(), Some("12.5"));
    }
}
