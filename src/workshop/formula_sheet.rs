//! A formula out of a spreadsheet's cells, and into such: what each column is taken for is told and can be told
//! otherwise, and what cannot be known is asked.

use serde::{Deserialize, Serialize};

use crate::formula::form::{
    Amounts, Fields, IngredientFields, PhaseFields, either, in_threes, number,
};
use crate::journal::format::cell::{guarded, unguarded};
use crate::language::{Language, Sentence, Slot, phrase, term};
use crate::mass::Decimal;
use crate::text::alike::same_name;

const MOST_ROWS: usize = 300;
const MOST_COLUMNS: usize = 40;

/// What is pasted, and what is known of it.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Pasted {
    pub text: String,
    /// What each column is, by [`Means`]; found from the headings where it is `None`.
    pub columns: Option<Vec<Means>>,
    /// What the amounts are; found where it is `None`.
    pub amounts: Option<Kind>,
    /// Whose decimal sign counts where the cells themselves do not say.
    #[serde(skip)]
    pub language: Language,
}

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Means {
    Nothing,
    Phase,
    Ingredient,
    Inci,
    Amount,
    Under,
    UnderG,
    Over,
    OverG,
    Tolerance,
    ToleranceG,
    Min,
    Max,
    Vessel,
    Lot,
    Premix,
    Caution,
    Mix,
}

/// What the amounts are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Percent,
    /// Shares of one: a spreadsheet's percents without their sign.
    Fraction,
    Grams,
    Parts,
}

/// What was made of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sheet {
    /// The headings; "Column 1" where there are none.
    pub heads: Vec<Sentence>,
    pub columns: Vec<Means>,
    pub amounts: Option<Kind>,
    pub rows: Vec<SheetRow>,
    /// What was taken for what, and what was left out.
    pub said: Vec<Sentence>,
    /// What is to be told first: there is no formula before.
    pub asks: Vec<Sentence>,
    pub fields: Option<Fields>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SheetRow {
    pub cells: Vec<String>,
    /// What it became.
    pub takes: Sentence,
    /// Whether it is to be looked at: left out, or with an amount that is no number.
    pub heed: bool,
}

impl Sheet {
    /// As it is shown to a person of that language.
    #[must_use]
    pub fn put_into(mut self, language: Language) -> Sheet {
        let takes = self.rows.iter_mut().map(|row| &mut row.takes);
        let all = self.heads.iter_mut().chain(&mut self.said);
        for words in all.chain(&mut self.asks).chain(takes) {
            *words = words.put_into(language);
        }
        self
    }
}

/// The columns of [`csv`], whose headings are those of [`WORDS`] too.
const HEADS: [(&str, Means); 15] = [
    ("Phase", Means::Phase),
    ("Ingredient", Means::Ingredient),
    ("INCI", Means::Inci),
    ("Percent", Means::Amount),
    ("Tolerance under %", Means::Under),
    ("Tolerance under g", Means::UnderG),
    ("Tolerance over %", Means::Over),
    ("Tolerance over g", Means::OverG),
    ("Min %", Means::Min),
    ("Max %", Means::Max),
    ("Vessel", Means::Vessel),
    ("Lot", Means::Lot),
    ("Premix", Means::Premix),
    ("Caution", Means::Caution),
    ("Mix", Means::Mix),
];

/// Headings as people write them, in small letters and without marks.
const WORDS: [(&str, Means, Option<Kind>); 103] = [
    ("phase", Means::Phase, None),
    ("ingredient", Means::Ingredient, None),
    ("ingredients", Means::Ingredient, None),
    ("ingredient name", Means::Ingredient, None),
    ("name", Means::Ingredient, None),
    ("material", Means::Ingredient, None),
    ("raw material", Means::Ingredient, None),
    ("component", Means::Ingredient, None),
    ("item", Means::Ingredient, None),
    ("inci", Means::Inci, None),
    ("inci name", Means::Inci, None),
    ("percent", Means::Amount, Some(Kind::Percent)),
    ("percents", Means::Amount, Some(Kind::Percent)),
    ("percentage", Means::Amount, Some(Kind::Percent)),
    ("%", Means::Amount, Some(Kind::Percent)),
    ("% w/w", Means::Amount, Some(Kind::Percent)),
    ("w/w", Means::Amount, Some(Kind::Percent)),
    ("w/w %", Means::Amount, Some(Kind::Percent)),
    ("wt %", Means::Amount, Some(Kind::Percent)),
    ("amount %", Means::Amount, Some(Kind::Percent)),
    ("percent %", Means::Amount, Some(Kind::Percent)),
    ("percent w/w", Means::Amount, Some(Kind::Percent)),
    ("percent by weight", Means::Amount, Some(Kind::Percent)),
    ("g", Means::Amount, Some(Kind::Grams)),
    ("gram", Means::Amount, Some(Kind::Grams)),
    ("grams", Means::Amount, Some(Kind::Grams)),
    ("weight g", Means::Amount, Some(Kind::Grams)),
    ("amount g", Means::Amount, Some(Kind::Grams)),
    ("weight", Means::Amount, None),
    ("amount", Means::Amount, None),
    ("quantity", Means::Amount, None),
    ("share", Means::Amount, None),
    ("parts", Means::Amount, Some(Kind::Parts)),
    ("tolerance", Means::Tolerance, None),
    ("tolerance %", Means::Tolerance, None),
    ("tolerance g", Means::ToleranceG, None),
    ("min", Means::Min, None),
    ("minimum", Means::Min, None),
    ("max", Means::Max, None),
    ("maximum", Means::Max, None),
    ("limit", Means::Max, None),
    ("limit %", Means::Max, None),
    ("vessel", Means::Vessel, None),
    ("lot required", Means::Lot, None),
    ("caution", Means::Caution, None),
    ("cautions", Means::Caution, None),
    ("warning", Means::Caution, None),
    ("method", Means::Mix, None),
    // In German and French.
    ("zutat", Means::Ingredient, None),
    ("zutaten", Means::Ingredient, None),
    ("rohstoff", Means::Ingredient, None),
    ("bezeichnung", Means::Ingredient, None),
    ("inhaltsstoff", Means::Ingredient, None),
    ("inci-name", Means::Inci, None),
    ("inci-bezeichnung", Means::Inci, None),
    ("prozent", Means::Amount, Some(Kind::Percent)),
    ("gew-%", Means::Amount, Some(Kind::Percent)),
    ("gew -%", Means::Amount, Some(Kind::Percent)),
    ("gew %", Means::Amount, Some(Kind::Percent)),
    ("anteil %", Means::Amount, Some(Kind::Percent)),
    ("menge %", Means::Amount, Some(Kind::Percent)),
    ("gramm", Means::Amount, Some(Kind::Grams)),
    ("menge g", Means::Amount, Some(Kind::Grams)),
    ("gewicht g", Means::Amount, Some(Kind::Grams)),
    ("gewichtsprozent", Means::Amount, Some(Kind::Percent)),
    ("massenanteil %", Means::Amount, Some(Kind::Percent)),
    ("anteil g", Means::Amount, Some(Kind::Grams)),
    ("anteil", Means::Amount, None),
    ("menge", Means::Amount, None),
    ("gewicht", Means::Amount, None),
    ("teile", Means::Amount, Some(Kind::Parts)),
    ("toleranz", Means::Tolerance, None),
    ("toleranz %", Means::Tolerance, None),
    ("toleranz g", Means::ToleranceG, None),
    ("grenze", Means::Max, None),
    ("gefäß", Means::Vessel, None),
    ("los nötig", Means::Lot, None),
    ("vorsicht", Means::Caution, None),
    ("hinweis", Means::Caution, None),
    ("mischen", Means::Mix, None),
    ("ingrédient", Means::Ingredient, None),
    ("ingrédients", Means::Ingredient, None),
    ("matière première", Means::Ingredient, None),
    ("nom", Means::Ingredient, None),
    ("nom inci", Means::Inci, None),
    ("pourcentage", Means::Amount, Some(Kind::Percent)),
    ("pour cent", Means::Amount, Some(Kind::Percent)),
    ("quantité %", Means::Amount, Some(Kind::Percent)),
    ("grammes", Means::Amount, Some(Kind::Grams)),
    ("quantité g", Means::Amount, Some(Kind::Grams)),
    ("poids g", Means::Amount, Some(Kind::Grams)),
    ("part %", Means::Amount, Some(Kind::Percent)),
    ("quantité", Means::Amount, None),
    ("poids", Means::Amount, None),
    ("parties", Means::Amount, Some(Kind::Parts)),
    ("tolérance", Means::Tolerance, None),
    ("tolérance %", Means::Tolerance, None),
    ("tolérance g", Means::ToleranceG, None),
    ("limite", Means::Max, None),
    ("récipient", Means::Vessel, None),
    ("lot exigé", Means::Lot, None),
    ("précaution", Means::Caution, None),
    ("mélange", Means::Mix, None),
];

fn heading(cell: &str) -> Option<(Means, Option<Kind>)> {
    let word = cell
        .to_lowercase()
        .replace(['(', ')', '[', ']', ':', '*', '.'], " ");
    // "Menge in Gramm" is "menge g".
    let words = word.split_whitespace();
    let mut words: Vec<&str> = words.filter(|word| !["in", "en"].contains(word)).collect();
    if let [_, .., unit] = words.as_mut_slice() {
        *unit = match *unit {
            "gramm" | "gram" | "grams" | "grammes" => "g",
            "prozent" | "percent" | "pourcent" => "%",
            other => other,
        };
    }
    let word = words.join(" ");
    let own = HEADS.iter().find(|(head, _)| head.to_lowercase() == word);
    let known = WORDS.iter().find(|(known, _, _)| *known == word);
    let known = known.map(|(_, means, kind)| (*means, *kind));
    known.or(own.map(|(_, means)| (*means, None)))
}

/// What is made of what was pasted.
///
/// # Errors
/// Where it is no table, in words.
pub fn sheet(pasted: &Pasted) -> Result<Sheet, Sentence> {
    let mut rows = cells(&pasted.text)?;
    let mut said = Vec::new();
    let mut asks = Vec::new();
    let wide = rows.iter().map(Vec::len).max().unwrap_or(0);
    for row in &mut rows {
        row.resize(wide, String::new());
    }
    let known = |row: &Vec<String>| row.iter().filter(|cell| heading(cell).is_some()).count();
    let head = rows.iter().take(10).position(|row| {
        known(row) >= 2
            || (known(row) == 1 && row.iter().filter(|c| !c.is_empty()).count() == 1 && wide == 1)
    });
    let head_at = head;
    let heads: Vec<String> = match head {
        Some(at) => {
            let above: Vec<String> = rows
                .drain(..at)
                .map(|row| row.join(" ").trim().to_owned())
                .collect();
            said.extend(
                above
                    .iter()
                    .map(|row| phrase!("Left out, above the headings: {row}.", row)),
            );
            rows.remove(0)
        }
        None => vec![String::new(); wide],
    };
    let (columns, mut kind) = match (&pasted.columns, head) {
        (Some(columns), _) if columns.len() == wide => {
            let kinds = columns.iter().zip(&heads);
            let mut kinds = kinds.filter(|(means, _)| **means == Means::Amount);
            (
                columns.clone(),
                kinds.find_map(|(_, head)| heading(head)?.1),
            )
        }
        (_, Some(_)) => by_headings(&heads, &mut said),
        (_, None) => {
            said.push(phrase!(
                "No row of headings was found: look whether each column is taken for what it is."
            ));
            (by_look(&rows, wide), None)
        }
    };
    let column = |means: Means| columns.iter().position(|one| *one == means);
    for (means, what) in [
        (Means::Ingredient, term!("the ingredient")),
        (Means::Amount, term!("the amount")),
    ] {
        match columns.iter().filter(|one| **one == means).count() {
            0 => asks.push(phrase!("Say which column is {what}.", what)),
            1 => {}
            _ => asks.push(phrase!("Only one column can be {what}.", what)),
        }
    }
    let amount = column(Means::Amount);
    let at = |row: &[String], means: Means| {
        column(means)
            .and_then(|i| row.get(i))
            .cloned()
            .unwrap_or_default()
    };
    let marks: Vec<String> = amount.map_or(Vec::new(), |i| {
        rows.iter().filter_map(|row| row.get(i).cloned()).collect()
    });
    let decimals = Decimals::of(&marks, pasted.language);
    if decimals.mark == Some(',') {
        said.push(phrase!("Commas are decimal commas here: 22,5 is 22.5."));
    }
    let plain = |cell: &str| number(&decimals.read(cell)).unwrap_or_else(|_| cell.to_owned());
    if pasted.amounts.is_some() {
        kind = pasted.amounts;
    } else if amount.is_some() {
        kind = by_marks(&marks, plain, kind, &mut said);
    }
    let sum = || -> i128 { marks.iter().filter_map(|cell| count(&plain(cell))).sum() };
    let mut lines: Vec<(usize, usize, usize)> = Vec::new();
    let mut fields = Fields {
        in_parts: kind == Some(Kind::Parts),
        ..Fields::default()
    };
    let mut told: Vec<SheetRow> = Vec::new();
    let mut so_far = 0i128;
    let mut odd = false;
    for (i, cells) in rows.iter().enumerate() {
        let (name, share) = (
            at(cells, Means::Ingredient),
            plain(&at(cells, Means::Amount)),
        );
        let others = cells
            .iter()
            .enumerate()
            .filter(|(i, cell)| !cell.is_empty() && Some(*i) != column(Means::Ingredient));
        let equals = count(&share).is_some_and(|n| n == so_far && n > 0);
        // Below an amount that is no number nobody can tell whether it is theirs.
        let sum = match name.is_empty() {
            true => equals,
            false => {
                is_sum(&name) && (equals || share.is_empty() || (odd && count(&share).is_some()))
            }
        };
        let takes = if sum {
            phrase!("left out: it is the sum")
        } else if name.is_empty() && share.is_empty() {
            let phase = at(cells, Means::Phase);
            match phase.is_empty() {
                true => phrase!("left out: it has no ingredient and no amount"),
                false => begun(&mut fields, &phase, &at(cells, Means::Mix)),
            }
        } else if name.is_empty() {
            asks.push(phrase!(
                "Row {row} has an amount and no ingredient.",
                row = i + 1,
            ));
            phrase!("left out: it has no ingredient")
        } else if share.is_empty() && others.count() == 0 && wide > 1 {
            begun(&mut fields, &name, "")
        } else {
            let phase = at(cells, Means::Phase);
            let into = into(&mut fields, &phase, &at(cells, Means::Mix));
            let number = |means: Means| plain(&at(cells, means));
            let both = Amounts {
                percent: number(Means::Tolerance),
                g: number(Means::ToleranceG),
            };
            let side = |percent: Means, g: Means| {
                let own = Amounts {
                    percent: number(percent),
                    g: number(g),
                };
                if own == Amounts::default() {
                    both.clone()
                } else {
                    own
                }
            };
            let balance = is_rest(&share);
            if !balance && !share.is_empty() && count(&share).is_none() {
                odd = true;
                let why = phrase!(
                    "Row {row}, {name}: \"{cell}\" is no number. Write the number alone, in the unit of the others.",
                    row = i + 1,
                    name = &name,
                    cell = &share,
                );
                match kind {
                    Some(Kind::Grams) => asks.push(why),
                    // The form takes it, and marks it.
                    Some(Kind::Percent | Kind::Fraction | Kind::Parts) | None => said.push(why),
                }
            } else if kind == Some(Kind::Grams) && (balance || share.is_empty()) {
                asks.push(phrase!(
                    "Row {row}, {name}: it has no grams, and without them the others make no percents.",
                    row = i + 1,
                    name = &name,
                ));
            }
            let one = IngredientFields {
                from: None,
                name: unguarded(&name),
                inci: unguarded(&at(cells, Means::Inci)),
                amount: if balance {
                    String::new()
                } else {
                    share.clone()
                },
                balance,
                under: side(Means::Under, Means::UnderG),
                over: side(Means::Over, Means::OverG),
                min: number(Means::Min),
                max: number(Means::Max),
                vessel: at(cells, Means::Vessel).to_lowercase(),
                caution: unguarded(&at(cells, Means::Caution)),
                lot_required: is_yes(&at(cells, Means::Lot)),
                premix: unguarded(&at(cells, Means::Premix)),
            };
            so_far += count(&share).unwrap_or(0);
            if let Some(phase) = fields.phases.get_mut(into) {
                lines.push((told.len(), into, phase.ingredients.len()));
                phase.ingredients.push(one);
            }
            Sentence::none()
        };
        told.push(SheetRow {
            cells: cells.clone(),
            heed: sum || name.is_empty(),
            takes,
        });
    }
    // What makes 100 or 1 as it stands is read right.
    let proven = [1_000_000_000, 100_000_000_000].contains(&so_far);
    for (row, cell) in (1usize..).zip(&marks).filter(|_| !proven) {
        if let Some(why) = decimals.doubt(cell) {
            asks.push(phrase!("Row {row}, \"{cell}\": {why}.", row, cell, why));
        }
    }
    if kind.is_none() && amount.is_some() {
        asks.push(phrase!(
            "Say what the amounts are; they make {sum} together.",
            sum = Slot::number(text(sum())),
        ));
    }
    // What is asked first comes before the sum: until then each amount is told in its own unit.
    let turned_into =
        asks.is_empty() && kind.is_none_or(|kind| turned(&mut fields, kind, &mut said));
    for (row, phase, index) in lines {
        let phase = fields.phases.get(phase);
        if let (Some(row), Some(one)) = (
            told.get_mut(row),
            phase.and_then(|phase| phase.ingredients.get(index)),
        ) {
            let name = &one.name;
            let amount = Slot::number(&one.amount);
            let is_number = count(&one.amount).is_some();
            row.heed = !one.balance && !is_number;
            row.takes = match (
                one.balance,
                one.amount.is_empty(),
                kind.filter(|_| is_number),
            ) {
                (true, _, _) => phrase!("{name}, the rest", name),
                (false, true, _) => phrase!("{name}, without an amount", name),
                (false, false, None) => phrase!("{name}, {amount}", name, amount),
                (false, false, Some(Kind::Parts)) => {
                    phrase!("{name}, {amount} parts", name, amount)
                }
                (false, false, Some(Kind::Grams)) if !turned_into => {
                    phrase!("{name}, {amount} g", name, amount)
                }
                (false, false, Some(Kind::Fraction)) if !turned_into => {
                    phrase!("{name}, {amount}", name, amount)
                }
                (false, false, Some(Kind::Percent | Kind::Grams | Kind::Fraction)) => {
                    phrase!("{name}, {amount} %", name, amount)
                }
            };
        }
    }
    fields.phases.retain(|phase| !phase.ingredients.is_empty());
    if fields.phases.is_empty() {
        asks.push(phrase!("No ingredient was found."));
    }
    let heads = (1..)
        .zip(heads)
        .map(|(i, head): (usize, String)| match head.is_empty() {
            true if head_at.is_none() => phrase!("Column {i}", i),
            _ => head.into(),
        });
    Ok(Sheet {
        heads: heads.collect(),
        columns,
        amounts: kind,
        rows: told,
        said,
        fields: asks.is_empty().then_some(fields),
        asks,
    })
}

/// The cells, blank rows left out. Cells copied out of a spreadsheet come with tabs between them, files with commas or
/// semicolons: the mark that makes most rows equally wide parts them.
fn cells(text: &str) -> Result<Vec<Vec<String>>, Sentence> {
    let text = text.trim_start_matches('\u{feff}');
    let mut best: Option<(usize, Vec<Vec<String>>)> = None;
    for mark in [b'\t', b';', b','] {
        let rows = parted(text, mark)?;
        let even = |wide: usize| rows.iter().filter(|row| row.len() == wide).count();
        let evenly = rows.iter().map(Vec::len).filter(|wide| *wide > 1);
        let evenly = evenly.map(even).max().unwrap_or(0);
        if best.as_ref().is_none_or(|(most, _)| evenly > *most) {
            best = Some((evenly, rows));
        }
    }
    let (_, mut rows) = best.unwrap_or_default();
    rows.retain(|row| row.iter().any(|cell| !cell.is_empty()));
    if rows.is_empty() {
        return Err(phrase!(
            "Nothing was pasted. Copy the cells with their headings, and paste them here."
        ));
    }
    if rows.len() > MOST_ROWS || rows.iter().any(|row| row.len() > MOST_COLUMNS) {
        return Err(phrase!(
            "This is more than a formula: {rows} rows of {columns} cells are the most.",
            rows = MOST_ROWS,
            columns = MOST_COLUMNS,
        ));
    }
    Ok(rows)
}

fn parted(text: &str, mark: u8) -> Result<Vec<Vec<String>>, Sentence> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(mark)
        .has_headers(false)
        .flexible(true)
        .from_reader(text.as_bytes());
    let mut rows = Vec::new();
    // A file of another kind would have thousands.
    for record in reader.records().take(2 * MOST_ROWS) {
        let record = record
            .map_err(|error| phrase!("This is no table: {error}.", error = error.to_string()))?;
        let cell = |cell: &str| cell.split_whitespace().collect::<Vec<_>>().join(" ");
        rows.push(record.iter().take(2 * MOST_COLUMNS).map(cell).collect());
    }
    Ok(rows)
}

/// What the columns are by their headings. Of two amounts the percents count.
fn by_headings(heads: &[String], said: &mut Vec<Sentence>) -> (Vec<Means>, Option<Kind>) {
    let found: Vec<_> = heads.iter().map(|head| heading(head)).collect();
    let amounts = || {
        found
            .iter()
            .enumerate()
            .filter(|(_, one)| one.is_some_and(|(means, _)| means == Means::Amount))
    };
    let best =
        |kind: Kind| amounts().find(|(_, one)| one.is_some_and(|(_, own)| own == Some(kind)));
    let amount = best(Kind::Percent)
        .or(best(Kind::Parts))
        .or(best(Kind::Grams))
        .or(amounts().next());
    let mut columns: Vec<Means> = Vec::new();
    for (i, (head, one)) in heads.iter().zip(&found).enumerate() {
        let means = one.map_or(Means::Nothing, |(means, _)| means);
        let second = columns.contains(&means) && means != Means::Nothing;
        let other = means == Means::Amount && amount.is_some_and(|(at, _)| at != i);
        if means == Means::Nothing || second || other {
            columns.push(Means::Nothing);
            if !head.is_empty() {
                said.push(phrase!("The column \"{head}\" is not used.", head));
            }
        } else {
            columns.push(means);
        }
    }
    (columns, amount.and_then(|(_, one)| (*one)?.1))
}

/// What the columns are by what is in them: the first with numbers the amount, the first with letters the ingredient.
fn by_look(rows: &[Vec<String>], wide: usize) -> Vec<Means> {
    let filled = |i: usize| {
        rows.iter()
            .filter_map(move |row| row.get(i))
            .filter(|cell| !cell.is_empty())
    };
    let numbers = |i: usize| {
        let numbers = filled(i)
            .filter(|cell| cell.starts_with(|c: char| c.is_ascii_digit()))
            .count();
        numbers > 0 && 2 * numbers >= filled(i).count()
    };
    let amount = (0..wide).find(|i| numbers(*i));
    let name = (0..wide).find(|i| {
        Some(*i) != amount && filled(*i).any(|cell| cell.chars().count() > 2) && !numbers(*i)
    });
    let means = |i: usize| match Some(i) {
        i if i == name => Means::Ingredient,
        i if i == amount => Means::Amount,
        _ => Means::Nothing,
    };
    (0..wide).map(means).collect()
}

/// Which of the two marks is the decimal one, by the cells of one column together.
struct Decimals {
    /// `None` where no cell says, or they say both.
    mark: Option<char>,
    own: char,
}

impl Decimals {
    fn of(cells: &[String], language: Language) -> Decimals {
        let own = match language.number(".") == "." {
            true => '.',
            false => ',',
        };
        let says = |mark: char| cells.iter().any(|cell| is_sure(cell, mark));
        let mark = match (says(','), says('.')) {
            (true, false) => Some(','),
            (false, true) => Some('.'),
            (_, _) => None,
        };
        Decimals { mark, own }
    }

    /// With a decimal point and no mark for thousands; as it is where it may be either.
    fn read(&self, cell: &str) -> String {
        let bare = bare(cell);
        let Some(mark) = self.mark.filter(|_| bare.contains([',', '.'])) else {
            return cell.to_owned();
        };
        let other = if mark == ',' { '.' } else { ',' };
        let whole = match bare.contains(other) && in_threes(bare, other, mark) {
            true => bare.replace(other, ""),
            false if bare.contains(other) => return cell.to_owned(),
            false => bare.to_owned(),
        };
        whole.replace(',', ".")
    }

    /// Why a cell with a point may be either for a person who writes commas.
    fn doubt(&self, cell: &str) -> Option<Sentence> {
        let (whole, part) = bare(cell).split_once('.')?;
        let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        let is_either = part.len() == 3 && digits(part) && digits(whole) && whole.len() <= 3;
        (self.mark.is_none() && self.own == ',' && is_either && !is_nought(whole))
            .then(|| either(whole, part))
    }
}

fn bare(cell: &str) -> &str {
    cell.trim_end_matches(['%', 'g', ' '])
}

fn is_nought(whole: &str) -> bool {
    whole.trim_start_matches('0').is_empty()
}

/// Whether `mark` can be nothing but a decimal sign in it, or the other one nothing but a mark for thousands.
fn is_sure(cell: &str, mark: char) -> bool {
    let bare = bare(cell);
    if !bare.starts_with(|c: char| c.is_ascii_digit() || c == mark)
        || !bare
            .chars()
            .all(|c| c.is_ascii_digit() || c == ',' || c == '.')
    {
        return false;
    }
    let other = if mark == ',' { '.' } else { ',' };
    match (bare.matches(mark).count(), bare.matches(other).count()) {
        (1, 0) => bare
            .split_once(mark)
            .is_some_and(|(whole, part)| part.len() != 3 || is_nought(whole)),
        (1, _) => in_threes(bare, other, mark),
        (0, 2..) => in_threes(bare, other, mark),
        (_, _) => false,
    }
}

/// What the amounts are, where every cell has the same mark, or by their sum.
fn by_marks(
    cells: &[String],
    plain: impl Fn(&str) -> String,
    kind: Option<Kind>,
    said: &mut Vec<Sentence>,
) -> Option<Kind> {
    let filled: Vec<&String> = cells
        .iter()
        .filter(|cell| cell.starts_with(|c: char| c.is_ascii_digit()))
        .collect();
    let all = |mark: char| !filled.is_empty() && filled.iter().all(|cell| cell.ends_with(mark));
    let some = |mark: char| filled.iter().any(|cell| cell.ends_with(mark));
    let sum: i128 = {
        let numbers: Vec<i128> = filled
            .iter()
            .filter_map(|cell| count(&plain(cell)))
            .collect();
        // A sum that stands below counts twice.
        let all: i128 = numbers.iter().sum();
        match numbers.last() {
            Some(last) if *last * 2 == all => *last,
            Some(_) | None => all,
        }
    };
    let (one, hundred) = (1_000_000_000i128, 100_000_000_000i128);
    match kind {
        Some(Kind::Percent) | None if sum == one && !some('%') && !some('g') => {
            said.push(phrase!(
                "The amounts make 1: they are taken for shares of one, 0.25 for 25 %."
            ));
            Some(Kind::Fraction)
        }
        Some(kind) => Some(kind),
        None if all('%') => Some(Kind::Percent),
        None if all('g') => Some(Kind::Grams),
        None if sum == hundred && !some('g') => {
            said.push(phrase!(
                "The amounts make 100: they are taken for percents."
            ));
            Some(Kind::Percent)
        }
        None => None,
    }
}

/// Billionths; `None` for what is no number.
fn count(number: &str) -> Option<i128> {
    Decimal::parse(number.as_bytes()).ok()?.scaled(9)
}

fn text(n: i128) -> String {
    crate::formula::Percent(i64::try_from(n).unwrap_or(i64::MAX)).text()
}

fn is_sum(name: &str) -> bool {
    [
        "total",
        "totals",
        "sum",
        "grand total",
        "summe",
        "gesamt",
        "somme",
    ]
    .contains(&name.to_lowercase().trim_end_matches([' ', ':']))
}

fn is_rest(cell: &str) -> bool {
    [
        "q.s.",
        "qs",
        "q.s",
        "q.s. to 100",
        "qs to 100",
        "to 100",
        "ad 100",
        "balance",
        "rest",
        "the rest",
        "auf 100",
        "qsp",
        "qsp 100",
        "reste",
    ]
    .contains(&cell.trim_end_matches([' ', '%']).to_lowercase().as_str())
}

fn is_yes(cell: &str) -> bool {
    ["yes", "true", "x", "required", "1", "ja", "oui"].contains(&cell.to_lowercase().as_str())
}

/// A row that is the name of a phase.
fn begun(fields: &mut Fields, name: &str, mix: &str) -> Sentence {
    fields.phases.push(PhaseFields {
        name: unguarded(name),
        mix: unguarded(mix),
        ..PhaseFields::default()
    });
    phrase!("phase {name}", name)
}

/// The phase that a row goes into.
fn into(fields: &mut Fields, name: &str, mix: &str) -> usize {
    let found = fields
        .phases
        .iter()
        .rposition(|phase| name.is_empty() || same_name(&phase.name, &unguarded(name)));
    let at = found.unwrap_or_else(|| {
        begun(fields, name, "");
        fields.phases.len() - 1
    });
    if let Some(phase) = fields
        .phases
        .get_mut(at)
        .filter(|phase| phase.mix.is_empty())
    {
        phase.mix = unguarded(mix);
    }
    at
}

/// The amounts as percents, or as parts; whether they could be.
fn turned(fields: &mut Fields, kind: Kind, said: &mut Vec<Sentence>) -> bool {
    let mut ones: Vec<&mut IngredientFields> = fields
        .phases
        .iter_mut()
        .flat_map(|phase| &mut phase.ingredients)
        .collect();
    match kind {
        Kind::Percent | Kind::Parts => {}
        Kind::Fraction => {
            for one in ones {
                if let Some(n) = count(&one.amount) {
                    one.amount = text(n * 100);
                }
            }
        }
        Kind::Grams => {
            let grams: Vec<i128> = ones.iter().filter_map(|one| count(&one.amount)).collect();
            let all: i128 = grams.iter().sum();
            let Some(shares) = shares(&grams) else {
                return false;
            };
            for (one, share) in ones.iter_mut().zip(shares.0) {
                one.amount = text(share);
            }
            let all = Slot::number(text(all));
            said.push(match shares.1 {
                true => phrase!(
                    "{all} g in all: the grams are turned into percents, rounded so that they make 100 exactly.",
                    all,
                ),
                false => phrase!(
                    "{all} g in all: the grams are turned into percents.",
                    all,
                ),
            });
        }
    }
    true
}

/// Percents out of grams, in billionths, and whether they are rounded: with as few decimals as are exact, at most four,
/// and nine where that is too coarse for the smallest. What is missing to 100 goes to those that lost most.
fn shares(grams: &[i128]) -> Option<(Vec<i128>, bool)> {
    let all: i128 = grams.iter().sum();
    // Above it the products are none of a bench.
    if all <= 0 || all > 10i128.pow(24) || grams.iter().any(|g| *g < 0) {
        return None;
    }
    let least = grams.iter().filter(|g| **g > 0).min()?;
    let fine = least * 100 * 10_000 < all * 100;
    for decimals in [0u32, 1, 2, 3, 4, 9] {
        let whole = 100 * 10i128.pow(decimals);
        let exact = grams.iter().all(|g| g * whole % all == 0);
        if !exact && decimals != 9 && (decimals != 4 || fine) {
            continue;
        }
        let mut shares: Vec<i128> = grams.iter().map(|g| g * whole / all).collect();
        let missing = whole - shares.iter().sum::<i128>();
        let mut order: Vec<usize> = (0..grams.len()).collect();
        order.sort_by_key(|&i| std::cmp::Reverse(grams.get(i).map_or(0, |g| g * whole % all)));
        for i in order
            .into_iter()
            .take(usize::try_from(missing).unwrap_or(0))
        {
            if let Some(share) = shares.get_mut(i) {
                *share += 1;
            }
        }
        let unit = 10i128.pow(9 - decimals);
        return Some((
            shares.into_iter().map(|share| share * unit).collect(),
            !exact,
        ));
    }
    None
}

/// The formula as a table for a spreadsheet, RFC 4180; [`sheet`] reads it again.
///
/// # Errors
/// Never for memory; what the writer says.
pub fn csv(fields: &Fields) -> Result<String, csv::Error> {
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(HEADS.map(
        |(head, means)| match means == Means::Amount && fields.in_parts {
            true => "Parts",
            false => head,
        },
    ))?;
    for (i, phase) in fields.phases.iter().enumerate() {
        let name = match phase.name.is_empty() {
            true => format!("Phase {}", i + 1),
            false => phase.name.clone(),
        };
        for one in &phase.ingredients {
            let cell = |means: Means| match means {
                Means::Phase => guarded(&name),
                Means::Ingredient => guarded(&one.name),
                Means::Inci => guarded(&one.inci),
                Means::Amount if one.balance => "balance".to_owned(),
                Means::Amount => one.amount.clone(),
                Means::Under => one.under.percent.clone(),
                Means::UnderG => one.under.g.clone(),
                Means::Over => one.over.percent.clone(),
                Means::OverG => one.over.g.clone(),
                Means::Min => one.min.clone(),
                Means::Max => one.max.clone(),
                Means::Vessel => {
                    if one.vessel.is_empty() {
                        "beaker".to_owned()
                    } else {
                        one.vessel.clone()
                    }
                }
                Means::Lot => if one.lot_required { "yes" } else { "" }.to_owned(),
                Means::Premix => guarded(&one.premix),
                Means::Caution => guarded(&one.caution),
                Means::Mix => guarded(&phase.mix),
                Means::Nothing | Means::Tolerance | Means::ToleranceG => String::new(),
            };
            out.write_record(HEADS.map(|(_, means)| cell(means)))?;
        }
    }
    let bytes = out.into_inner().map_err(|error| error.into_error())?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
