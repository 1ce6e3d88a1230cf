//! Cautions, the usual ones, of what can hurt; through premixes and constituents to the substance.
//!
//! None of the words here has a published source: they are common practice. What holds is the supplier's
//! documents, local codes and, where one is required, a licensed person; every caution says so or stands
//! beside [`STANDING`]. What a substance is, [`super::kind`] knows, or the maker's list.

use super::contents::{Contents, Known, Reached, contents};
use super::kind::{Kind, says};
use super::{Formula, Ingredient, Use, examples};
use crate::language::{Sentence, Term, phrase, term};

/// Stands under every list of cautions.
pub const STANDING: Term = term!(
    "General workshop habits, not professional advice. Follow the supplier's documents (safety data sheet; for scents the \
     IFRA certificate too), your local codes and, where one is required, a qualified or licensed person."
);

/// Every caution of a formula, a line each: the maker's own as they are, those of several ingredients
/// once; then what is usual. [`STANDING`] stands under them.
pub fn lines(formula: &Formula, known: &Known) -> Vec<Sentence> {
    let found = contents(formula, known);
    let mut own: Vec<(Vec<String>, &str)> = Vec::new();
    for one in found.reached.iter().filter(|one| one.lot.is_none()) {
        let Some(caution) = one.ingredient.and_then(|i| i.caution.as_deref()) else {
            continue;
        };
        let name = one.told();
        match own.iter_mut().find(|(_, text)| *text == caution) {
            Some((names, _)) if names.contains(&name) => {}
            Some((names, _)) => names.push(name),
            None => own.push((vec![name], caution)),
        }
    }
    let own = own.into_iter();
    let own = own.map(|(names, own)| {
        phrase!(
            "{names}: {caution}",
            names = names.join(", "),
            caution = examples::caution(own)
        )
    });
    let usual = of_contents(formula, &found).into_iter();
    let usual = usual.map(|caution| {
        phrase!(
            "{names}: {caution}",
            names = caution.ingredients.join(", "),
            caution = caution.text,
        )
    });
    own.chain(usual).chain(unknown(formula, &found)).collect()
}

/// That no caution was looked up for what goes by names that tell nothing, and of which the maker says nothing.
fn unknown(formula: &Formula, found: &Contents) -> Option<Sentence> {
    let lines: Vec<&Ingredient> = formula.ingredients().collect();
    let mut names: Vec<String> = Vec::new();
    for one in found.reached.iter().filter(|one| one.lot.is_none()) {
        // Of a premix its contents are told, or that they are not certain; a constituent is not handled.
        let Some(ingredient) = one.ingredient.filter(|own| own.premix.is_none()) else {
            continue;
        };
        let mut own = [Some(ingredient), lines.get(one.line).copied()]
            .into_iter()
            .flatten();
        let name = one.told();
        if one.kinds.is_empty() && own.all(|i| i.caution.is_none()) && !names.contains(&name) {
            names.push(name);
        }
    }
    (!names.is_empty()).then(|| {
        phrase!(
            "{names}: not known to bismar by name, so no caution was looked up. What is to be heeded the supplier's \
             documents tell: give the INCI name, or write a caution of your own.",
            names = names.join(", "),
        )
    })
}

/// What can hurt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Hazard {
    EssentialOil,
    Isolate,
    CitrusOil,
    MentholOrCamphor,
    Lye,
    LyeWithAcid,
    SoapWithAcid,
    Alcohol,
    Peroxide,
    AcidDust,
    Dust,
    AcidWithBicarbonate,
    SalicylicAcid,
    HotWax,
    NutOil,
    WaterWithoutPreservative,
}

/// One hazard of a formula with the ingredients that make it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caution {
    pub hazard: Hazard,
    /// In the order of the formula, each once; with the premix that brings it in.
    pub ingredients: Vec<String>,
    /// What to heed, sentences.
    pub text: Sentence,
}

/// A sentence of a caution, and the words by which the maker's own caution, in English, German or French, says the same
/// already; read as [`says`] does.
type Told = (Term, &'static [&'static str]);

impl Hazard {
    const ALL: [Hazard; 16] = [
        Hazard::EssentialOil,
        Hazard::Isolate,
        Hazard::CitrusOil,
        Hazard::MentholOrCamphor,
        Hazard::Lye,
        Hazard::LyeWithAcid,
        Hazard::SoapWithAcid,
        Hazard::Alcohol,
        Hazard::Peroxide,
        Hazard::AcidDust,
        Hazard::Dust,
        Hazard::AcidWithBicarbonate,
        Hazard::SalicylicAcid,
        Hazard::HotWax,
        Hazard::NutOil,
        Hazard::WaterWithoutPreservative,
    ];

    /// Common practice, no source.
    const fn sentences(self) -> &'static [Told] {
        match self {
            Hazard::EssentialOil => &[
                (
                    term!(
                        "Undiluted, essential oils and fragrances irritate skin and eyes: gloves, moving \
                     air, away from flames."
                    ),
                    &[
                        "irritat-",
                        "reizt",
                        "reizen",
                        "reizend",
                        "irrite",
                        "irritent",
                        "irritant",
                        "irritante",
                    ],
                ),
                (
                    term!(
                        "How much a product may hold is the maker's own limit, taken from the supplier's \
                     documents (safety data sheet, IFRA certificate)."
                    ),
                    &["ifra", "supplier-", "lieferant-", "fournisseur-"],
                ),
            ],
            Hazard::Lye => &[
                (
                    term!("Lye burns skin and eyes: goggles and gloves."),
                    &["goggles", "schutzbrille-", "lunettes"],
                ),
                (
                    term!("It grows hot as it dissolves: lye into water, never water into lye."),
                    &[
                        "never water",
                        "nie wasser",
                        "niemals wasser",
                        "jamais d eau",
                        "jamais l eau",
                    ],
                ),
                (
                    term!("Nothing of aluminium; label the vessel."),
                    &["alumin-"],
                ),
                (
                    term!("Rinse splashes at once with plenty of water."),
                    &[
                        "rinse-",
                        "spuelen",
                        "abspuelen",
                        "ausspuelen",
                        "spuelt",
                        "rinc-",
                    ],
                ),
            ],
            Hazard::LyeWithAcid => &[(
                term!(
                    "Lye and acid react with heat, and the acid uses up lye: never tip one into the other \
                 undiluted, and reckon the lye with it."
                ),
                &["react-", "reagier-", "reaktion-", "reagi-"],
            )],
            Hazard::SoapWithAcid => &[(
                term!(
                    "Acid takes soap apart and sets its fatty acids free: only small changes, and only in a \
                 formula that was tried."
                ),
                &[
                    "fatty acids",
                    "takes soap apart",
                    "fettsaeure-",
                    "acides gras",
                ],
            )],
            Hazard::Alcohol => &[
                (
                    term!(
                        "Alcohol and its vapour catch fire: moving air, no flame, spark or hot plate near; \
                     close the bottle."
                    ),
                    &[
                        "flammable",
                        "catch fire",
                        "catches fire",
                        "brennbar",
                        "entzuendlich",
                        "leichtentzuendlich",
                        "entflammbar",
                        "feuergefaehrlich",
                        "inflammable",
                        "inflammables",
                        "prend feu",
                        "prennent feu",
                    ],
                ),
                (
                    term!(
                        "It evaporates on the pan, so the weight drifts down: keep it covered, weigh quickly."
                    ),
                    &["evapor-", "verdunst-"],
                ),
            ],
            Hazard::AcidDust => &[(
                term!(
                    "Acid dust irritates eyes and airways: open slowly, no fan across the pan, goggles and \
                 dust mask; wipe the pan and tare again."
                ),
                &["dust", "dusts", "dusty", "staub-", "staeub-", "poussiere-"],
            )],
            Hazard::AcidWithBicarbonate => &[(
                term!(
                    "Acid and bicarbonate or carbonate give off gas as soon as they are damp: dry vessels and spoons, and \
                 no tight lid on anything damp, which can burst."
                ),
                &[
                    "gas", "gases", "gase", "fizz-", "sprudel-", "gaz", "petille-",
                ],
            )],
            Hazard::Isolate => &[(
                term!(
                    "Pure, it is many times as strong as the oil that it is known from: gloves and goggles, and a \
                 weight that the scale can prove."
                ),
                &["isolat-", "many times", "pure", "vielfach-"],
            )],
            Hazard::CitrusOil => &[(
                term!(
                    "Many citrus oils make skin burn in sunlight: the supplier's document says whether this one \
                 does, and how much may stay on skin; say so on the label."
                ),
                &[
                    "sun",
                    "sunlight",
                    "sunshine",
                    "sunburn",
                    "sonne",
                    "sonnenlicht",
                    "sonnenbrand",
                    "sonnenbad",
                    "soleil",
                ],
            )],
            Hazard::MentholOrCamphor => &[(
                term!(
                    "Menthol, camphor and oils rich in them can take a small child's breath: never on or near the \
                 face of small children; say so on the label."
                ),
                &[
                    "child",
                    "children",
                    "kind",
                    "kinder",
                    "kindern",
                    "kleinkind-",
                    "enfant-",
                ],
            )],
            Hazard::Peroxide => &[(
                term!(
                    "Peroxide burns skin and eyes, and gives off oxygen where dirt or metal gets in: goggles and \
                 gloves, clean vessels, no tight lid, nothing that burns near."
                ),
                &["peroxid-", "oxygen", "sauerstoff", "peroxyde", "oxygene"],
            )],
            Hazard::Dust => &[(
                term!(
                    "Fine powder hangs in the air and is breathed in: open slowly, no fan across the pan, dust mask; \
                 wipe the pan and tare again."
                ),
                &[
                    "dust",
                    "dusts",
                    "dusty",
                    "breath-",
                    "staub-",
                    "staeub-",
                    "einatmen",
                    "poussiere-",
                    "respir-",
                    "inhal-",
                ],
            )],
            Hazard::SalicylicAcid => &[(
                term!(
                    "Salicylic acid: the law of many places sets how much a product may hold, asks for a warning and \
                 keeps it from small children; look it up where it is sold."
                ),
                &[
                    "law",
                    "laws",
                    "child",
                    "children",
                    "gesetz-",
                    "kind",
                    "kinder",
                    "kindern",
                    "kleinkind-",
                    "loi",
                    "lois",
                    "enfant-",
                ],
            )],
            Hazard::HotWax => &[(
                term!(
                    "Melted wax and hot oil burn skin and catch fire: over warm water, never left alone, no water in \
                 them, a lid at hand."
                ),
                &[
                    "hot wax",
                    "melted wax",
                    "hot oil",
                    "heisses wachs",
                    "heisses oel",
                    "geschmolzenes wachs",
                    "cire chaude",
                    "cire fondue",
                    "huile chaude",
                ],
            )],
            Hazard::NutOil => &[(
                term!(
                    "Oils of nuts can set off an allergy: name them on the label, and keep their vessels from \
                 batches without them."
                ),
                &[
                    "nut",
                    "nuts",
                    "allerg-",
                    "nuss-",
                    "nuesse-",
                    "noix",
                    "fruits a coque",
                ],
            )],
            Hazard::WaterWithoutPreservative => &[(
                term!(
                    "Water, and no preservative that is known here: what holds water spoils within days, often \
                 unseen. Preserve it, or make it for one use and keep it cold."
                ),
                &[
                    "preserv-",
                    "spoil-",
                    "konservier-",
                    "verdirbt",
                    "verderb-",
                    "conservateur-",
                ],
            )],
        }
    }

    /// What of `found` makes this hazard.
    fn of<'r, 'a>(self, formula: &Formula, found: &'r Contents<'a>) -> Vec<&'r Reached<'a>> {
        // What is inside a premix stands for it, and a certificate's share for no other substance.
        let here = || {
            found
                .reached
                .iter()
                .filter(|one| !one.opened && one.lot.is_none())
        };
        let all = |kind: Kind| here().filter(|one| one.is(kind)).collect();
        let has = |kind: Kind| here().any(|one| one.is(kind));
        // A hazard of two kinds together: both must be there.
        let both = |one: Kind, other: Kind| match has(one) && has(other) {
            true => here().filter(|i| i.is(one) || i.is(other)).collect(),
            false => Vec::new(),
        };
        match self {
            Hazard::EssentialOil => all(Kind::EssentialOil),
            // What an oil is made of is not handled pure.
            Hazard::Isolate => here()
                .filter(|one| one.is(Kind::Isolate) && one.ingredient.is_some())
                .collect(),
            Hazard::CitrusOil => all(Kind::CitrusOil),
            Hazard::MentholOrCamphor => all(Kind::MentholOrCamphor),
            Hazard::Lye => all(Kind::Lye),
            Hazard::LyeWithAcid => both(Kind::Lye, Kind::Acid),
            Hazard::SoapWithAcid => both(Kind::Soap, Kind::Acid),
            Hazard::Alcohol => all(Kind::Flammable),
            Hazard::Peroxide => all(Kind::Peroxide),
            Hazard::AcidDust => all(Kind::AcidDust),
            Hazard::Dust => all(Kind::Dust),
            Hazard::AcidWithBicarbonate => both(Kind::Acid, Kind::Bicarbonate),
            Hazard::SalicylicAcid => all(Kind::SalicylicAcid),
            Hazard::HotWax => all(Kind::Wax),
            Hazard::NutOil => all(Kind::NutOil),
            // Soap and what it is boiled of keep by themselves; a premix is preserved in its product.
            Hazard::WaterWithoutPreservative => {
                let keeps = has(Kind::Preservative) || has(Kind::Lye) || has(Kind::Soap);
                match keeps || formula.intended == Use::Premix {
                    true => Vec::new(),
                    false => all(Kind::Water),
                }
            }
        }
    }
}

/// The cautions of a formula. A sentence is left out where the maker's own caution of every ingredient
/// that it is about says the same.
pub fn cautions(formula: &Formula, known: &Known) -> Vec<Caution> {
    of_contents(formula, &contents(formula, known))
}

fn of_contents(formula: &Formula, contents: &Contents) -> Vec<Caution> {
    let lines: Vec<&Ingredient> = formula.ingredients().collect();
    let mut found = Vec::new();
    for hazard in Hazard::ALL {
        let mut concerned = Vec::new();
        let mut text = Sentence::none();
        let all = hazard.of(formula, contents);
        for (sentence, marks) in hazard.sentences() {
            let line = |one: &Reached| lines.get(one.line).copied();
            let told = |one: &&&Reached| {
                let own = [one.ingredient, line(one)].into_iter().flatten();
                let mut own = own.filter_map(|i| i.caution.as_deref());
                own.any(|text| says(text, marks))
            };
            let silent: Vec<&Reached> = all.iter().filter(|one| !told(one)).copied().collect();
            if !silent.is_empty() {
                text = text.and(*sentence);
            }
            concerned.extend(silent);
        }
        if !text.is_empty() {
            let mut names: Vec<String> = Vec::new();
            for one in all
                .iter()
                .filter(|one| concerned.iter().any(|other| std::ptr::eq(*other, **one)))
            {
                let name = one.told();
                if !names.contains(&name) {
                    names.push(name);
                }
            }
            found.push(Caution {
                hazard,
                ingredients: names,
                text,
            });
        }
    }
    found
}

/// Of each line of the formula whether some of it stays in the vessel it is poured from.
pub fn clinging(formula: &Formula, known: &Known) -> Vec<bool> {
    let found = contents(formula, known);
    let lines = found.reached.iter().filter(|one| one.is_line());
    lines.map(|one| one.is(Kind::Thick)).collect()
}
