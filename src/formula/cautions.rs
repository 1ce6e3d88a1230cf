//! Ingredients that can hurt, known by their INCI and common English names, and the usual cautions.
//!
//! None of the words here has a published source: names and cautions are common practice. What holds
//! is the supplier's documents, local codes and, where one is required, a licensed person; every caution
//! says so or stands beside [`STANDING`]. A name that is not known here tells nothing.
//!
//! Names are compared by whole words, so that "sodium hyaluronate" is no sodium hydroxide, and a word
//! followed by "free" (alcohol-free) does not count.

use super::{Formula, Ingredient};
use crate::problem::Problem;

/// Stands under every list of cautions.
pub const STANDING: &str = "General workshop habits, not professional advice. Follow the supplier's \
                            documents (safety data sheet; for scents the IFRA certificate too), your \
                            local codes and, where one is required, a qualified or licensed person.";

/// Every caution of a formula, a line each: the maker's own as they are, those of several ingredients
/// once; then what is usual. [`STANDING`] stands under them.
pub fn lines(formula: &Formula) -> Vec<String> {
    let mut own: Vec<(Vec<&str>, &str)> = Vec::new();
    for ingredient in formula.ingredients() {
        let Some(caution) = ingredient.caution.as_deref() else {
            continue;
        };
        match own.iter_mut().find(|(_, text)| *text == caution) {
            Some((names, _)) if names.contains(&ingredient.name.as_str()) => {}
            Some((names, _)) => names.push(&ingredient.name),
            None => own.push((vec![&ingredient.name], caution)),
        }
    }
    let own = own.into_iter();
    let own = own.map(|(names, caution)| format!("{}: {caution}", names.join(", ")));
    let usual = cautions(formula).into_iter();
    let usual =
        usual.map(|caution| format!("{}: {}", caution.ingredients.join(", "), caution.text));
    own.chain(usual).collect()
}

/// What can hurt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Hazard {
    EssentialOil,
    Lye,
    LyeWithAcid,
    SoapWithAcid,
    Alcohol,
    AcidDust,
    AcidWithBicarbonate,
}

/// One hazard of a formula with the ingredients that make it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    pub hazard: Hazard,
    /// In the order of the formula, each once.
    pub ingredients: Vec<String>,
    /// What to heed, sentences.
    pub text: String,
}

/// A sentence of a caution, and the words by which the maker's own caution says the same already.
type Sentence = (&'static str, &'static [&'static str]);

impl Hazard {
    const ALL: [Hazard; 7] = [
        Hazard::EssentialOil,
        Hazard::Lye,
        Hazard::LyeWithAcid,
        Hazard::SoapWithAcid,
        Hazard::Alcohol,
        Hazard::AcidDust,
        Hazard::AcidWithBicarbonate,
    ];

    /// Common practice, no source.
    const fn sentences(self) -> &'static [Sentence] {
        match self {
            Hazard::EssentialOil => &[
                (
                    "Undiluted, essential oils and fragrances irritate skin and eyes: gloves, moving \
                     air, away from flames.",
                    &["irritate"],
                ),
                (
                    "How much a product may hold is the maker's own limit, taken from the supplier's \
                     documents (safety data sheet, IFRA certificate).",
                    &["ifra", "supplier"],
                ),
            ],
            Hazard::Lye => &[
                ("Lye burns skin and eyes: goggles and gloves.", &["goggles"]),
                (
                    "It grows hot as it dissolves: lye into water, never water into lye.",
                    &["never water"],
                ),
                ("Nothing of aluminium; label the vessel.", &["alumin"]),
                ("Rinse splashes at once with plenty of water.", &["rinse"]),
            ],
            Hazard::LyeWithAcid => &[(
                "Lye and acid react with heat, and the acid uses up lye: never tip one into the other \
                 undiluted, and reckon the lye with it.",
                &["react"],
            )],
            Hazard::SoapWithAcid => &[(
                "Acid takes soap apart and sets its fatty acids free: only small changes, and only in a \
                 formula that was tried.",
                &["fatty acids", "takes soap apart"],
            )],
            Hazard::Alcohol => &[
                (
                    "Alcohol and its vapour catch fire: moving air, no flame, spark or hot plate near; \
                     close the bottle.",
                    &["flammable", "catch fire", "catches fire"],
                ),
                (
                    "It evaporates on the pan, so the weight drifts down: keep it covered, weigh quickly.",
                    &["evaporates"],
                ),
            ],
            Hazard::AcidDust => &[(
                "Acid dust irritates eyes and airways: open slowly, no fan across the pan, goggles and \
                 dust mask; wipe the pan and tare again.",
                &["dust"],
            )],
            Hazard::AcidWithBicarbonate => &[(
                "Acid and bicarbonate or carbonate give off gas as soon as they are damp: dry vessels and spoons, and \
                 no tight lid on anything damp, which can burst.",
                &["gas", "fizz"],
            )],
        }
    }

    /// The ingredients of `formula` that make this hazard.
    fn of(self, formula: &Formula) -> Vec<&Ingredient> {
        let all = |is: fn(&Ingredient) -> bool| -> Vec<&Ingredient> {
            formula.ingredients().filter(|i| is(i)).collect()
        };
        // A hazard of two kinds together: both must be there.
        let both = |one: fn(&Ingredient) -> bool, other: fn(&Ingredient) -> bool| match formula
            .ingredients()
            .any(one)
            && formula.ingredients().any(other)
        {
            true => formula
                .ingredients()
                .filter(|i| one(i) || other(i))
                .collect(),
            false => Vec::new(),
        };
        match self {
            Hazard::EssentialOil => all(is_essential_oil),
            Hazard::Lye => all(is_lye),
            Hazard::LyeWithAcid => both(is_lye, is_acid),
            Hazard::SoapWithAcid => both(is_soap, is_acid),
            Hazard::Alcohol => all(is_alcohol),
            Hazard::AcidDust => all(is_acid_dust),
            Hazard::AcidWithBicarbonate => both(is_acid, is_bicarbonate),
        }
    }
}

/// The cautions of a formula. A sentence is left out where the maker's own caution of every ingredient
/// that it is about says the same.
pub fn cautions(formula: &Formula) -> Vec<Caution> {
    let mut found = Vec::new();
    for hazard in Hazard::ALL {
        let mut names: Vec<String> = Vec::new();
        let mut text: Vec<&str> = Vec::new();
        let concerned = hazard.of(formula);
        for (sentence, marks) in hazard.sentences() {
            let silent = |i: &&&Ingredient| !says(i, marks);
            let mut silent = concerned.iter().filter(silent).peekable();
            if silent.peek().is_some() {
                text.push(sentence);
            }
            for ingredient in silent {
                if !names.contains(&ingredient.name) {
                    names.push(ingredient.name.clone());
                }
            }
        }
        if !text.is_empty() {
            let order = |name: &String| formula.ingredients().position(|i| i.name == *name);
            names.sort_by_key(order);
            found.push(Caution {
                hazard,
                ingredients: names,
                text: text.join(" "),
            });
        }
    }
    found
}

/// What to do where an ingredient's percent is outside its limits.
pub fn limit_remedy(ingredient: &Ingredient) -> &'static str {
    match is_essential_oil(ingredient) {
        true => {
            "Correct the percent; the greatest share of an essential oil or fragrance is the maker's own \
             limit and comes from the supplier's documents (safety data sheet, IFRA certificate)"
        }
        false => "Correct the percent, or the limits if they are wrong",
    }
}

/// A note for each essential oil or fragrance that has no greatest share.
pub fn without_limit(formula: &Formula, name: &str) -> Vec<Problem> {
    let open = |i: &&Ingredient| is_essential_oil(i) && i.limits.max.is_none();
    let note = |i: &Ingredient| Problem {
        path: name.to_owned(),
        line: i.place.line,
        column: i.place.column,
        message: format!(
            "\"{}\" is an essential oil or fragrance and has no greatest share",
            i.name
        ),
        remedy:
            "Write your own limit as limits = { max = ... }, in percent of the batch, from the \
                 supplier's documents (safety data sheet, IFRA certificate)"
                .to_owned(),
    };
    formula.ingredients().filter(open).map(note).collect()
}

/// Whether the ingredient's own caution has one of the marks.
fn says(ingredient: &Ingredient, marks: &[&str]) -> bool {
    let own = ingredient
        .caution
        .as_deref()
        .unwrap_or_default()
        .to_lowercase();
    marks.iter().any(|mark| own.contains(mark))
}

// ---- names, separated by commas; each list common practice, no source, but where it says otherwise ----

/// Whatever the supplier calls it.
const SCENTS: &str = "\
    essential oil, essential oils, eo, absolute, parfum, perfume, perfume oil, fragrance, \
    fragrance oil";

/// Plants whose "oil" in a workshop is the essential oil.
const SCENT_PLANTS: &str = "\
    bergamot, cajeput, camphor, cassia, cedarwood, chamomile, cinnamon, citronella, \
    clary sage, clove, cypress, eucalyptus, fir, fir needle, frankincense, geranium, \
    grapefruit, helichrysum, juniper, lavandin, lavender, lemon, lemongrass, lime, \
    mandarin, myrrh, neroli, niaouli, orange, oregano, palmarosa, patchouli, peppermint, \
    petitgrain, pine, ravintsara, rosemary, sandalwood, spearmint, tangerine, tea tree, \
    thyme, vetiver, wintergreen, ylang, may chang";

/// First words of INCI names: the botanical genus, with the species where another of the genus gives a
/// fixed oil. The form "genus species part Oil" is that of the INCI.
const SCENT_GENERA: &str = "\
    abies, aniba, anthemis nobilis, boswellia, cananga, cedrus, chamomilla recutita, \
    chrysopogon, cinnamomum, citrus, commiphora, cupressus, cymbopogon, eucalyptus, \
    eugenia, gaultheria, illicium, juniperus, lavandula, litsea, melaleuca, mentha, ocimum, \
    origanum, pelargonium, picea, pinus, pogostemon, rosa damascena, rosmarinus, \
    salvia officinalis, salvia sclarea, santalum, syzygium, thymus";

/// With one of these words it is a fixed oil, a water or an extract.
const NOT_SCENT: &str = "\
    seed, nut, kernel, water, hydrosol, extract, infused, infusion, macerate, macerated, olive, \
    sunflower, wax, butter, cera";

/// INCI: Sodium Hydroxide, Potassium Hydroxide.
const LYES: &str =
    "sodium hydroxide, potassium hydroxide, naoh, koh, lye, caustic soda, caustic potash";

/// INCI "Sodium ...ate" of the fats that soap is made of, and common names.
const SOAPS: &str = "\
    soap, saponified, castile, sodium palm kernelate, potassium palm kernelate, \
    sodium shea butterate, potassium shea butterate, sodium cocoa butterate";
const SOAP_FATS: &str = "\
    cocoate, palmate, tallowate, olivate, lardate, oleate, stearate, laurate, palmitate, \
    myristate, castorate, babassuate, ricinoleate, sunflowerate";
/// Plants and colours with soap in their name.
const NOT_SOAP: &str = "nut, nuts, bark, berry, berries, safe, colour, color, dye";

/// Acids that take soap apart; fatty acids (stearic, oleic) do not.
const ACIDS: &str = "\
    citric acid, lactic acid, glycolic acid, malic acid, tartaric acid, ascorbic acid, \
    acetic acid, salicylic acid, mandelic acid, phosphoric acid, cream of tartar, vinegar, \
    lemon juice";

/// Acids that come as a fine powder.
const DUSTY_ACIDS: &str = "citric acid, malic acid, tartaric acid, ascorbic acid, cream of tartar";

const BICARBONATES: &str = "\
    sodium bicarbonate, potassium bicarbonate, baking soda, bicarbonate of soda, bicarb, \
    sodium carbonate, soda ash, washing soda, sodium hydrogen carbonate";

const SPIRITS: &str = "ethanol, isopropanol, propanol, methylated spirit, methylated spirits";

/// Before "alcohol" these make a fatty alcohol, a wax or a preservative. So does any other word that
/// ends in "yl" but for those in [`FLAMMABLE_ALCOHOLS`].
const NOT_SPIRIT: &str = "lanolin, wool, wax, fatty, coconut, jojoba, tallow, palm, hydrogenated";
const FLAMMABLE_ALCOHOLS: &str = "ethyl, isopropyl, methyl, propyl";

/// Thick liquids that cling to a vessel.
const CLINGING: &str = "\
    honey, glycerin, glycerine, glycerol, molasses, treacle, syrup, lanolin, lecithin, \
    polysorbate, agave";
const NOT_CLINGING: &str = "powder, powdered, granules, solids, soap, alcohol, extract";

/// Whether it is an essential oil or a fragrance.
pub fn is_essential_oil(ingredient: &Ingredient) -> bool {
    any_name(ingredient, |words| {
        let oil = has_any(words, "oil, oils");
        let plant = has_any(words, SCENT_PLANTS) || has_any(words, SCENT_GENERA);
        has_any(words, SCENTS) || (oil && plant && !has_any(words, NOT_SCENT))
    })
}

/// Whether some of it stays in the vessel it is poured from.
pub fn clings(ingredient: &Ingredient) -> bool {
    named(ingredient, CLINGING) && !named(ingredient, NOT_CLINGING) && !is_essential_oil(ingredient)
}

fn is_lye(ingredient: &Ingredient) -> bool {
    named(ingredient, LYES)
}

fn is_acid(ingredient: &Ingredient) -> bool {
    named(ingredient, ACIDS)
}

fn is_acid_dust(ingredient: &Ingredient) -> bool {
    named(ingredient, DUSTY_ACIDS) && !named(ingredient, "solution")
}

fn is_bicarbonate(ingredient: &Ingredient) -> bool {
    named(ingredient, BICARBONATES)
}

fn is_soap(ingredient: &Ingredient) -> bool {
    any_name(ingredient, |words| {
        let salt = |metal: &str, fat: &str| has(words, &format!("{metal} {fat}"));
        let of_fat = |fat: &str| salt("sodium", fat) || salt("potassium", fat);
        let plant = terms(NOT_SOAP).any(|term| has(words, &format!("soap {term}")));
        terms(SOAP_FATS).any(of_fat) || (has_any(words, SOAPS) && !plant)
    })
}

fn is_alcohol(ingredient: &Ingredient) -> bool {
    any_name(ingredient, |words| {
        let bare = (0..words.len()).any(|at| {
            let before = at.checked_sub(1).and_then(|at| words.get(at));
            let fatty = before.is_some_and(|word| {
                let is = |list| terms(list).any(|term| term == word);
                is(NOT_SPIRIT) || (word.ends_with("yl") && !is(FLAMMABLE_ALCOHOLS))
            });
            starts(words.get(at..).unwrap_or_default(), "alcohol") && !fatty
        });
        bare || has_any(words, SPIRITS)
    })
}

/// The terms of a list.
fn terms(list: &str) -> impl Iterator<Item = &str> {
    list.split(", ")
}

fn named(ingredient: &Ingredient, list: &str) -> bool {
    any_name(ingredient, |words| has_any(words, list))
}

/// Whether the name or the INCI name, in words of small letters, fits.
fn any_name(ingredient: &Ingredient, fits: impl Fn(&[String]) -> bool) -> bool {
    let names = [Some(ingredient.name.as_str()), ingredient.inci.as_deref()];
    names.into_iter().flatten().any(|name| fits(&words(name)))
}

fn words(name: &str) -> Vec<String> {
    let pieces = name.split(|c: char| !c.is_alphanumeric());
    pieces
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .collect()
}

fn has_any(words: &[String], list: &str) -> bool {
    terms(list).any(|term| has(words, term))
}

/// Whether the term's words stand in a row among `words`, with no "free" behind them.
fn has(words: &[String], term: &str) -> bool {
    (0..words.len()).any(|at| starts(words.get(at..).unwrap_or_default(), term))
}

fn starts(words: &[String], term: &str) -> bool {
    let mut rest = words.iter();
    term.split(' ')
        .all(|wanted| rest.next().is_some_and(|word| word == wanted))
        && rest.next().is_none_or(|word| word != "free")
}
