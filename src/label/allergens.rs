//! Fragrance allergens that a label names one by one: names and thresholds, and how much of each there is.
//!
//! Names: Regulation (EC) No 1223/2009, Annex III, as amended by Regulation (EU) 2023/1545 (81 entries with
//! that of 6-methyl coumarin; the number of an entry stands before its names). The Official Journal was not read
//! in full here; the names were taken on 2026-11-27 from three independent reproductions that agree on every
//! entry: one made from the consolidated text of 18 May 2026 with all names of each entry, one with numbers
//! and CAS numbers, one with the names that a label gives a group; a fourth (a page of August 2023) has the
//! new ones. In one only, and so left out: names by which the Commission's glossary knows some of them.
//! Thresholds: the same, and the older text of entries 67 to 92 as published in OJ L 342 of 2009.
//! Canada has no list of its own: its Cosmetic Regulations (C.R.C., c. 869), section 21.4(0.1) and (4) as made by
//! SOR/2024-63, section 6 (read on the page of amendments of the Department of Justice, of October 2024; the end of
//! (4) in two other pages), take this one as amended from time to time, with the same thresholds.

use std::collections::BTreeMap;

use crate::language::{Sentence, Slot, phrase};
use crate::mass::Mass;
use crate::text::alike::same_name;

/// One entry of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Allergen {
    /// Its number in Annex III.
    pub entry: u16,
    /// What a label calls it.
    pub label: &'static str,
    /// Other names of it, separated by semicolons.
    others: &'static str,
}

/// How long a product stays on the skin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stay {
    LeaveOn,
    RinseOff,
}

/// How much of an allergen is in a product.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Amount {
    pub allergen: &'static Allergen,
    pub mass: Mass,
    /// Whether the label must name it.
    pub declared: bool,
}

impl Stay {
    /// The share above which it is named: 0.001 % and 0.01 %, as parts of 100 000.
    const fn threshold(self) -> i64 {
        match self {
            Stay::LeaveOn => 1,
            Stay::RinseOff => 10,
        }
    }

    /// The threshold in percent, and what such a product is called.
    pub fn told(self) -> Sentence {
        match self {
            Stay::LeaveOn => phrase!("{share} % (leave-on)", share = Slot::number("0.001")),
            Stay::RinseOff => phrase!("{share} % (rinse-off)", share = Slot::number("0.01")),
        }
    }

    /// Whether so much of a batch of `total` is above the threshold; exact.
    pub fn is_over(self, mass: Mass, total: Mass) -> bool {
        i128::from(mass.ng()) * 100_000 > i128::from(total.ng()) * i128::from(self.threshold())
    }
}

/// The entry that a substance is of; names are compared with case and spaces folded.
pub fn allergen(name: &str) -> Option<&'static Allergen> {
    let is = |one: &&Allergen| {
        let mut others = one.others.split("; ").filter(|other| !other.is_empty());
        same_name(one.label, name) || others.any(|other| same_name(other, name))
    };
    ALLERGENS.iter().find(is)
}

/// What there is of each entry among `parts` in a batch of `total`, most first.
pub fn amounts<'n>(
    parts: impl IntoIterator<Item = (&'n str, Mass)>,
    total: Mass,
    stay: Stay,
) -> Vec<Amount> {
    let mut found: BTreeMap<u16, (&'static Allergen, Mass)> = BTreeMap::new();
    for (name, mass) in parts {
        if let Some(allergen) = allergen(name) {
            found
                .entry(allergen.entry)
                .or_insert((allergen, Mass::ZERO))
                .1 += mass;
        }
    }
    let amount = |(allergen, mass)| Amount {
        allergen,
        mass,
        declared: stay.is_over(mass, total),
    };
    let mut amounts: Vec<Amount> = found.into_values().map(amount).collect();
    amounts.retain(|one| one.mass > Mass::ZERO);
    amounts.sort_by_key(|one| std::cmp::Reverse(one.mass));
    amounts
}

const fn of(entry: u16, label: &'static str, others: &'static str) -> Allergen {
    Allergen {
        entry,
        label,
        others,
    }
}

/// Every entry, in the order of its number.
pub const ALLERGENS: [Allergen; 81] = [
    of(45, "Benzyl Alcohol", ""),
    of(46, "6-Methyl Coumarin", ""),
    of(67, "Amyl Cinnamal", ""),
    of(69, "Cinnamyl Alcohol", ""),
    of(70, "Citral", "Geranial; Neral"),
    of(71, "Eugenol", ""),
    of(72, "Hydroxycitronellal", ""),
    of(73, "Isoeugenol", ""),
    of(74, "Amylcinnamyl Alcohol", ""),
    of(75, "Benzyl Salicylate", ""),
    of(76, "Cinnamal", ""),
    of(77, "Coumarin", ""),
    of(78, "Geraniol", ""),
    of(80, "Anise Alcohol", ""),
    of(81, "Benzyl Cinnamate", ""),
    of(82, "Farnesol", ""),
    of(84, "Linalool", ""),
    of(85, "Benzyl Benzoate", ""),
    of(86, "Citronellol", ""),
    of(87, "Hexyl Cinnamal", ""),
    of(88, "Limonene", ""),
    of(89, "Methyl 2-Octynoate", ""),
    of(90, "Alpha-Isomethyl Ionone", ""),
    of(91, "Evernia Prunastri Extract", ""),
    of(92, "Evernia Furfuracea Extract", ""),
    of(
        109,
        "Pinus Mugo",
        "Pinus Mugo Leaf Oil; Pinus Mugo Twig Leaf Extract; Pinus Mugo Twig Oil",
    ),
    of(
        114,
        "Pinus Pumila",
        "Pinus Pumila Needle Extract; Pinus Pumila Twig Leaf Extract; Pinus Pumila Twig Leaf Oil",
    ),
    of(
        122,
        "Cedrus Atlantica Oil/Extract",
        "Cedrus Atlantica Bark Extract; Cedrus Atlantica Bark Oil; Cedrus Atlantica Bark Water; \
         Cedrus Atlantica Leaf Extract; Cedrus Atlantica Wood Extract; Cedrus Atlantica Wood Oil",
    ),
    of(124, "Turpentine", ""),
    of(131, "Alpha-Terpinene", ""),
    of(133, "Terpinolene", ""),
    of(
        154,
        "Myroxylon Pereirae Oil/Extract",
        "Myroxylon Balsamum Pereirae Balsam Extract; Myroxylon Balsamum Pereirae Balsam Oil; \
         Myroxylon Pereirae Oil; Myroxylon Pereirae Resin Extract; Myroxylon Pereirae Resin",
    ),
    of(
        157,
        "Rose Ketones",
        "Alpha-Damascone; cis-Rose Ketone 1; trans-Rose Ketone 1; Rose Ketone 4; Damascenone; \
         Rose Ketone 3; delta-Damascone; trans-Rose Ketone 3; cis-Rose Ketone 2; cis-beta-Damascone; \
         trans-Rose Ketone 2; trans-beta-Damascone",
    ),
    of(175, "3-Propylidenephthalide", ""),
    of(196, "Lippia Citriodora Absolute", ""),
    of(324, "Methyl Salicylate", ""),
    of(327, "Acetyl Cedrene", ""),
    of(328, "Amyl Salicylate", ""),
    of(329, "Anethole", ""),
    of(330, "Benzaldehyde", ""),
    of(331, "Camphor", ""),
    of(332, "Beta-Caryophyllene", ""),
    of(333, "Carvone", ""),
    of(334, "Dimethyl Phenethyl Acetate", ""),
    of(335, "Hexadecanolactone", ""),
    of(336, "Hexamethylindanopyran", ""),
    of(337, "Linalyl Acetate", ""),
    of(338, "Menthol", ""),
    of(339, "Trimethylcyclopentenyl Methylisopentenol", ""),
    of(340, "Salicylaldehyde", ""),
    of(341, "Santalol", ""),
    of(342, "Sclareol", ""),
    of(343, "Terpineol", ""),
    of(344, "Tetramethyl Acetyloctahydronaphthalenes", ""),
    of(345, "Trimethylbenzenepropanol", ""),
    of(346, "Vanillin", ""),
    of(
        347,
        "Cananga Odorata Oil/Extract",
        "Cananga Odorata Flower Extract; Cananga Odorata Flower Oil",
    ),
    of(348, "Cinnamomum Cassia Leaf Oil", ""),
    of(349, "Cinnamomum Zeylanicum Bark Oil", ""),
    of(
        350,
        "Citrus Aurantium Flower Oil",
        "Citrus Aurantium Amara Flower Oil; Citrus Aurantium Dulcis Flower Oil",
    ),
    of(
        351,
        "Citrus Aurantium Peel Oil",
        "Citrus Aurantium Amara Peel Oil; Citrus Aurantium Dulcis Peel Oil; Citrus Sinensis Peel Oil",
    ),
    of(352, "Citrus Aurantium Bergamia Peel Oil", ""),
    of(353, "Citrus Limon Peel Oil", ""),
    of(
        354,
        "Lemongrass Oil",
        "Cymbopogon Schoenanthus Oil; Cymbopogon Flexuosus Oil; Cymbopogon Citratus Leaf Oil",
    ),
    of(
        355,
        "Eucalyptus Globulus Oil",
        "Eucalyptus Globulus Leaf Oil; Eucalyptus Globulus Leaf/Twig Oil",
    ),
    of(
        356,
        "Eugenia Caryophyllus Oil",
        "Eugenia Caryophyllus Leaf Oil; Eugenia Caryophyllus Flower Oil; Eugenia Caryophyllus Stem Oil; \
         Eugenia Caryophyllus Bud Oil",
    ),
    of(
        357,
        "Jasmine Oil/Extract",
        "Jasminum Grandiflorum Flower Extract; Jasminum Officinale Oil; Jasminum Officinale Flower Extract",
    ),
    of(
        358,
        "Juniperus Virginiana Oil",
        "Juniperus Virginiana Wood Oil",
    ),
    of(359, "Laurus Nobilis Leaf Oil", ""),
    of(
        360,
        "Lavandula Oil/Extract",
        "Lavandula Hybrida Oil; Lavandula Hybrida Extract; Lavandula Hybrida Flower Extract; \
         Lavandula Intermedia Flower/Leaf/Stem Extract; Lavandula Intermedia Flower/Leaf/Stem Oil; \
         Lavandula Intermedia Oil; Lavandula Angustifolia Oil; \
         Lavandula Angustifolia Flower/Leaf/Stem Extract",
    ),
    of(361, "Mentha Piperita Oil", ""),
    of(362, "Mentha Viridis Leaf Oil", ""),
    of(
        363,
        "Narcissus Extract",
        "Narcissus Poeticus Extract; Narcissus Pseudonarcissus Flower Extract; Narcissus Jonquilla Extract; \
         Narcissus Tazetta Extract",
    ),
    of(
        364,
        "Pelargonium Graveolens Flower Oil",
        "Pelargonium Graveolens Oil; Pelargonium Graveolens Leaf Oil",
    ),
    of(365, "Pogostemon Cablin Oil", "Pogostemon Cablin Leaf Oil"),
    of(
        366,
        "Rose Flower Oil/Extract",
        "Rosa Damascena Flower Oil; Rosa Damascena Flower Extract; Rosa Alba Flower Oil; \
         Rosa Alba Flower Extract; Rosa Canina Flower Oil; Rosa Centifolia Flower Oil; \
         Rosa Centifolia Flower Extract; Rosa Gallica Flower Oil; Rosa Moschata Flower Oil; \
         Rosa Rugosa Flower Oil",
    ),
    of(367, "Santalum Album Oil", ""),
    of(368, "Eugenyl Acetate", ""),
    of(369, "Geranyl Acetate", ""),
    of(370, "Isoeugenyl Acetate", ""),
    of(371, "Pinene", ""),
];
