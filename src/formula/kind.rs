//! Kinds of substances: told by the maker's list, else known by INCI and common names.
//!
//! INCI names are the same in every language, so they come first; the common names here are English ones, and a
//! few of spirits in others; German and French ones are in `tongues`. All lists are from memory and common practice,
//! no source, and judge nothing: they choose which caution is shown. A name that is not known here tells nothing; the
//! maker's list can.
//!
//! Names are compared by whole words, so that "sodium hyaluronate" is no sodium hydroxide, and a word
//! followed by "free" (alcohol-free), or after "ohne" or "sans", does not count.

use crate::text::alike::in_ascii;

mod tongues;

/// What a substance is, as far as a caution hangs on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    EssentialOil,
    CitrusOil,
    Isolate,
    MentholOrCamphor,
    Preservative,
    Water,
    Acid,
    AcidDust,
    SalicylicAcid,
    Dust,
    Peroxide,
    Lye,
    Soap,
    Bicarbonate,
    Flammable,
    Wax,
    NutOil,
    Thick,
    Detergent,
    /// Nothing of the above: a salt, a fixed oil.
    Plain,
}

impl Kind {
    /// The words of the maker's list.
    pub const WORDS: [(&str, Kind); 20] = [
        ("essential oil", Kind::EssentialOil),
        ("citrus oil", Kind::CitrusOil),
        ("isolate", Kind::Isolate),
        ("menthol or camphor", Kind::MentholOrCamphor),
        ("preservative", Kind::Preservative),
        ("water", Kind::Water),
        ("acid", Kind::Acid),
        ("acid dust", Kind::AcidDust),
        ("salicylic acid", Kind::SalicylicAcid),
        ("dust", Kind::Dust),
        ("peroxide", Kind::Peroxide),
        ("lye", Kind::Lye),
        ("soap", Kind::Soap),
        ("bicarbonate", Kind::Bicarbonate),
        ("flammable", Kind::Flammable),
        ("wax", Kind::Wax),
        ("nut oil", Kind::NutOil),
        ("thick", Kind::Thick),
        ("detergent", Kind::Detergent),
        ("plain", Kind::Plain),
    ];

    /// What it is besides.
    const fn implies(self) -> Option<Kind> {
        match self {
            Kind::CitrusOil => Some(Kind::EssentialOil),
            Kind::AcidDust | Kind::SalicylicAcid => Some(Kind::Acid),
            Kind::EssentialOil
            | Kind::Isolate
            | Kind::MentholOrCamphor
            | Kind::Preservative
            | Kind::Water
            | Kind::Acid
            | Kind::Dust
            | Kind::Peroxide
            | Kind::Lye
            | Kind::Soap
            | Kind::Bicarbonate
            | Kind::Flammable
            | Kind::Wax
            | Kind::NutOil
            | Kind::Thick
            | Kind::Detergent
            | Kind::Plain => None,
        }
    }

    /// Whether it may be a scent, or is often blended with one: its kind alone tells nothing of fragrance allergens.
    pub const fn may_scent(self) -> bool {
        match self {
            Kind::EssentialOil
            | Kind::CitrusOil
            | Kind::Isolate
            | Kind::MentholOrCamphor
            // Benzyl alcohol is both, and in many a blend.
            | Kind::Preservative
            | Kind::Soap
            | Kind::Detergent => true,
            Kind::Water
            | Kind::Acid
            | Kind::AcidDust
            | Kind::SalicylicAcid
            | Kind::Dust
            | Kind::Peroxide
            | Kind::Lye
            | Kind::Bicarbonate
            | Kind::Flammable
            | Kind::Wax
            | Kind::NutOil
            | Kind::Thick
            | Kind::Plain => false,
        }
    }

    fn is_named(self, names: &[Vec<String>]) -> bool {
        // What a name says it is not holds in every language, and for the other names of the thing.
        let not = |list: &str| names.iter().any(|words| has_any(words, list));
        let is_other = match self {
            Kind::AcidDust => not(DISSOLVED) || tongues::dissolved(names),
            Kind::Dust => not(NOT_DUST) || tongues::dissolved(names),
            Kind::Thick => not(NOT_THICK) || Kind::EssentialOil.is_named(names),
            Kind::EssentialOil
            | Kind::CitrusOil
            | Kind::Isolate
            | Kind::MentholOrCamphor
            | Kind::Preservative
            | Kind::Water
            | Kind::Acid
            | Kind::SalicylicAcid
            | Kind::Peroxide
            | Kind::Lye
            | Kind::Soap
            | Kind::Bicarbonate
            | Kind::Flammable
            | Kind::Wax
            | Kind::NutOil
            | Kind::Detergent
            | Kind::Plain => false,
        };
        !is_other && (self.is_english(names) || names.iter().any(|words| tongues::is(self, words)))
    }

    fn is_english(self, names: &[Vec<String>]) -> bool {
        let any = |list: &str| names.iter().any(|words| has_any(words, list));
        match self {
            Kind::EssentialOil => names.iter().any(|words| scent(words)),
            Kind::CitrusOil => any(CITRUS) && names.iter().any(|words| scent(words)),
            Kind::Isolate => names.iter().any(|words| alone(words, ISOLATES)),
            Kind::MentholOrCamphor => {
                any("menthol, camphor")
                    || (any(MENTHOL_PLANTS) && names.iter().any(|words| scent(words)))
            }
            Kind::Preservative => any(PRESERVATIVES),
            Kind::Water => names.iter().any(|words| water(words)) && !any(LYES),
            Kind::Acid => any(ACIDS),
            Kind::AcidDust => any(DUSTY_ACIDS),
            Kind::SalicylicAcid => any("salicylic acid"),
            Kind::Dust => any(DUSTS),
            Kind::Peroxide => any(PEROXIDES),
            Kind::Lye => any(LYES),
            Kind::Soap => names.iter().any(|words| soap(words)),
            Kind::Bicarbonate => any(BICARBONATES),
            Kind::Flammable => names.iter().any(|words| spirit(words)),
            Kind::Wax => any(WAXES) && !any(NOT_WAX),
            Kind::NutOil => any(NUTS) && any("oil, oils, butter"),
            Kind::Thick => any(THICK),
            Kind::Detergent => names.iter().any(|words| detergent(words)),
            Kind::Plain => names.iter().any(|words| alone(words, PLAIN)),
        }
    }
}

/// The kinds of what goes by these names, those that `told` by the maker's list with them; in order, each
/// once.
pub fn kinds<'n>(
    names: impl IntoIterator<Item = &'n str>,
    told: impl IntoIterator<Item = Kind>,
) -> Vec<Kind> {
    let names: Vec<Vec<String>> = names.into_iter().map(words).collect();
    let all = Kind::WORDS.iter().map(|(_, kind)| *kind);
    let mut found: Vec<Kind> = all.filter(|kind| kind.is_named(&names)).collect();
    // What one of its names tells is more than that another tells nothing.
    if found.len() > 1 {
        found.retain(|kind| *kind != Kind::Plain);
    }
    found.extend(told);
    let implied: Vec<Kind> = found.iter().filter_map(|kind| kind.implies()).collect();
    found.extend(implied);
    found.sort_unstable();
    found.dedup();
    found
}

// ---- names, separated by commas ----

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

/// With the names that other languages and shops have for them.
const SPIRITS: &str = "\
    ethanol, isopropanol, propanol, methylated spirit, methylated spirits, methylated, denatured spirit, \
    surgical spirit, rectified spirit, white spirit, spirits of wine, neutral spirit, grain spirit, vodka, \
    brandy, rum, gin, spiritus, weingeist, brennspiritus, alkohol, alcool, alcol, etanol, etanolo, \
    isopropylalkohol, isopropanolum, aethanolum, acetone, ethyl acetate";

/// Before "alcohol" these make a fatty alcohol, a wax or a preservative. So does any other word that
/// ends in "yl" but for those in [`FLAMMABLE_ALCOHOLS`].
const NOT_SPIRIT: &str = "lanolin, wool, wax, fatty, coconut, jojoba, tallow, palm, hydrogenated";
const FLAMMABLE_ALCOHOLS: &str = "ethyl, isopropyl, methyl, propyl";

/// Thick liquids that cling to a vessel.
const THICK: &str = "\
    honey, glycerin, glycerine, glycerol, molasses, treacle, syrup, lanolin, lecithin, \
    polysorbate, agave";
const NOT_THICK: &str = "\
    powder, powdered, granules, solids, soap, alcohol, extract, pulver, granulat, seife, alkohol, extrakt, poudre, \
    granules, savon, alcool, extrait";

/// Citrus oils; which of them burn skin in the sun only the supplier's document tells.
const CITRUS: &str = "\
    citrus, bergamot, grapefruit, lemon, lime, mandarin, orange, tangerine, yuzu, clementine";

/// Single substances of oils, as they are sold pure.
const ISOLATES: &str = "\
    menthol, camphor, thymol, eugenol, isoeugenol, linalool, linalyl acetate, limonene, citral, geraniol, \
    citronellol, coumarin, vanillin, cinnamal, cinnamaldehyde, benzaldehyde, eucalyptol, carvone, anethole, \
    borneol, terpineol, methyl salicylate, farnesol, citronellal, carvacrol, pinene";

/// Plants whose oil holds much menthol, camphor or eucalyptol.
const MENTHOL_PLANTS: &str = "\
    peppermint, mentha piperita, mentha arvensis, cornmint, eucalyptus, cinnamomum camphora, ravintsara, \
    rosmarinus";

const PRESERVATIVES: &str = "\
    preservative, phenoxyethanol, benzyl alcohol, sodium benzoate, potassium sorbate, sorbic acid, \
    benzoic acid, dehydroacetic acid, sodium dehydroacetate, methylparaben, ethylparaben, propylparaben, \
    butylparaben, chlorphenesin, dmdm hydantoin, imidazolidinyl urea, diazolidinyl urea, \
    sodium hydroxymethylglycinate, methylisothiazolinone, methylchloroisothiazolinone, \
    iodopropynyl butylcarbamate, chlorhexidine digluconate, undecylenic acid";

const WATERS: &str = "water, waters, aqua, hydrosol, hydrolate";
const JUICES: &str = "leaf juice, aloe juice, aloe vera juice, floral water, flower water";

const DUSTS: &str = "\
    talc, talcum, clay, kaolin, bentonite, montmorillonite, illite, rhassoul, ghassoul, silica, mica, \
    zea mays starch, corn starch, cornstarch, tapioca starch, arrowroot, oryza sativa starch, rice starch, \
    solanum tuberosum starch, maranta arundinacea root powder, titanium dioxide, zinc oxide, \
    magnesium carbonate, charcoal powder, activated charcoal, sodium cocoyl isethionate, sci, \
    sodium coco sulfate, sodium lauryl sulfate, sodium lauryl sulfoacetate, sodium lauroyl methyl isethionate, slsa";
const NOT_DUST: &str = "solution, dispersion, liquid, paste, coated board, fluessig, liquide, pate";
const DISSOLVED: &str = "solution, liquid, fluessig, liquide";

const PEROXIDES: &str = "\
    hydrogen peroxide, urea peroxide, carbamide peroxide, sodium percarbonate, benzoyl peroxide, peroxide";

const WAXES: &str = "\
    cera, beeswax, wax, candelilla, carnauba, paraffin, euphorbia cerifera cera, copernicia cerifera cera";
const NOT_WAX: &str = "jojoba, wool wax, lanolin, alcohol";

/// Trees and plants whose seeds many people are allergic to, as INCI names the genus and species.
const NUTS: &str = "\
    almond, hazelnut, walnut, peanut, macadamia, pecan, pistachio, cashew, brazil nut, argan, \
    prunus amygdalus, arachis hypogaea, corylus avellana, corylus americana, juglans regia, \
    macadamia ternifolia, macadamia integrifolia, carya illinoensis, pistacia vera, anacardium occidentale, \
    bertholletia excelsa, argania spinosa";

/// What foams: a detergent by the end of its INCI name in any language, with the fat that it is made of, or a name that
/// shops have for one.
const DETERGENT_ENDS: &str = "\
    sulfat, sulfoacetat, sulfosuccinat, isethionat, glucosid, glukosid, betain, sarcosinat, taurat, glutamat, \
    olefinsulfonat";
const DETERGENT_FATS: &str = "\
    lauryl, lauroyl, laureth, coco, kokos, decyl, capryl, myristoyl, myreth, olefin, cocamid";
const DETERGENTS: &str = "\
    detergent, detergents, surfactant, surfactants, foaming agent, sls, sles, slsa, sci, foaming bath butter";

/// What no caution here is about: INCI names as the whole name has them, and common English ones. An "... Seed Oil" is not
/// known by its end: those of carrot, celery and coriander are scents.
const PLAIN: &str = "\
    maris sal, sodium chloride, magnesium sulfate, magnesium chloride, potassium chloride, sodium sulfate, sea salt, salt, \
    rock salt, table salt, epsom salt, epsom salts, dead sea salt, magnesium flakes, himalayan salt, pink salt, \
    sodium citrate, trisodium citrate, sodium lactate, \
    helianthus annuus seed oil, olea europaea fruit oil, simmondsia chinensis seed oil, cocos nucifera oil, \
    ricinus communis seed oil, vitis vinifera seed oil, persea gratissima oil, prunus armeniaca kernel oil, \
    rosa canina seed oil, rosa canina fruit oil, carthamus tinctorius seed oil, brassica campestris seed oil, \
    canola oil, oenothera biennis oil, borago officinalis seed oil, camellia oleifera seed oil, \
    cannabis sativa seed oil, oryza sativa bran oil, linum usitatissimum seed oil, calophyllum inophyllum seed oil, \
    butyrospermum parkii butter, butyrospermum parkii oil, theobroma cacao seed butter, mangifera indica seed butter, \
    sunflower oil, sunflower seed oil, olive oil, jojoba oil, jojoba, coconut oil, fractionated coconut oil, castor oil, \
    grape seed oil, grapeseed oil, avocado oil, apricot kernel oil, rosehip oil, rosehip seed oil, safflower oil, \
    rapeseed oil, evening primrose oil, borage oil, camellia oil, hemp seed oil, rice bran oil, shea butter, \
    cocoa butter, mango butter, caprylic capric triglyceride, squalane, tocopherol, tocopheryl acetate, vitamin e, \
    cetyl alcohol, stearyl alcohol, cetearyl alcohol, behenyl alcohol, stearic acid, palmitic acid, oleic acid, \
    glyceryl stearate, sorbitan stearate, sorbitan olivate, cetearyl olivate, polyglyceryl 3 stearate, panthenol, \
    allantoin, xanthan gum, hydroxyethylcellulose, sodium hyaluronate, betaine, urea, avena sativa kernel flour, \
    avena sativa kernel meal, oat flour, oatmeal, colloidal oatmeal";

fn scent(words: &[String]) -> bool {
    let oil = has_any(words, "oil, oils");
    let plant = has_any(words, SCENT_PLANTS) || has_any(words, SCENT_GENERA);
    has_any(words, SCENTS) || (oil && plant && !has_any(words, NOT_SCENT))
}

/// Whether the name is one of the list, and no word more but what tells its form.
fn alone(words: &[String], list: &str) -> bool {
    const FORMS: &str = "\
        crystal, crystals, natural, pure, synthetic, powder, l, d, dl, usp, bp, coarse, fine, organic, refined, \
        unrefined, virgin, extra, cold, pressed, deodorised, deodorized, bio, grob, fein, rein, raffiniert, nativ, \
        nativer, natives, native, kaltgepresst, desodoriert, gros, fin, pur, raffinee, vierge, biologique, \
        naturel, naturelle, desodorisee";
    let own: Vec<&str> = (words.iter().map(String::as_str))
        .filter(|word| !is_term(FORMS, word))
        .collect();
    let own = own.join(" ");
    is_term(list, &own)
}

/// Whether it is a water: the name ends so, or says after it only how it was cleaned.
fn water(words: &[String]) -> bool {
    const CLEANED: &str =
        "distilled, deionised, deionized, demineralised, demineralized, purified, boiled";
    let is_water = |word: &String| is_term(WATERS, word);
    let mut rest = words.iter().rev();
    let cleaned = |word: &&String| is_term(CLEANED, word);
    rest.by_ref()
        .find(|word| !cleaned(word))
        .is_some_and(is_water)
        || has_any(words, JUICES)
}

fn soap(words: &[String]) -> bool {
    let salt = |metal: &str, fat: &str| has(words, &format!("{metal} {fat}"));
    let of_fat = |fat: &str| salt("sodium", fat) || salt("potassium", fat);
    let plant = || terms(NOT_SOAP).any(|term| has(words, &format!("soap {term}")));
    let salts = has_any(words, "sodium, potassium") && terms(SOAP_FATS).any(of_fat);
    salts || (has_any(words, SOAPS) && !plant())
}

fn detergent(words: &[String]) -> bool {
    let name = words.concat();
    let has = |list: &str| terms(list).any(|term| name.contains(term));
    (has(DETERGENT_ENDS) && has(DETERGENT_FATS)) || has_any(words, DETERGENTS)
}

/// Whether a product is for the bath by what the maker calls it.
pub fn is_for_bath(text: &str) -> bool {
    tongues::is_for_bath(&words(text))
}

/// Whether a text has one of these words: whole ones or, with a "-" behind it, as they begin.
pub(super) fn says(text: &str, marks: &[&str]) -> bool {
    let words = words(text);
    marks.iter().any(|mark| match mark.strip_suffix('-') {
        Some(start) => words.iter().any(|word| word.starts_with(start)),
        None => has(&words, mark),
    })
}

fn spirit(words: &[String]) -> bool {
    let bare = (0..words.len()).any(|at| {
        let before = at.checked_sub(1).and_then(|at| words.get(at));
        let fatty = before.is_some_and(|word| {
            is_term(NOT_SPIRIT, word)
                || (word.ends_with("yl") && !is_term(FLAMMABLE_ALCOHOLS, word))
        });
        starts(words.get(at..).unwrap_or_default(), "alcohol") && !fatty
    });
    bare || has_any(words, SPIRITS)
}

/// The terms of a list.
fn terms(list: &str) -> impl Iterator<Item = &str> {
    list.split(',')
        .map(|term| term.strip_prefix(' ').unwrap_or(term))
}

/// A name in words of small letters, without accents; what comes after "ohne" or "sans" is not in it.
fn words(name: &str) -> Vec<String> {
    let name = in_ascii(&name.to_lowercase());
    let pieces = name.split(|c: char| !c.is_alphanumeric());
    let mut words: Vec<String> = Vec::new();
    let mut without = false;
    for word in pieces.filter(|word| !word.is_empty()) {
        if !without {
            words.push(word.to_owned());
        }
        without = matches!(word, "ohne" | "sans");
    }
    words
}

fn has_any(words: &[String], list: &str) -> bool {
    words.iter().any(|word| occurs(list, word)) && terms(list).any(|term| has(words, term))
}

fn is_term(list: &str, one: &str) -> bool {
    occurs(list, one) && terms(list).any(|term| term == one)
}

/// What does not occur in a list is in none of its terms: nearly no word of a name does, and they need no look.
fn occurs(list: &str, word: &str) -> bool {
    memchr::memmem::find(list.as_bytes(), word.as_bytes()).is_some()
}

/// Whether the term's words stand in a row among `words`, with no "free" behind them.
fn has(words: &[String], term: &str) -> bool {
    (0..words.len()).any(|at| starts(words.get(at..).unwrap_or_default(), term))
}

/// Nearly every term of the lists ends at its first letter: so it is not taken apart before that.
fn starts(words: &[String], term: &str) -> bool {
    let mut words = words.iter();
    let mut rest = Some(term);
    while let Some(wanted) = rest {
        let Some(behind) = words.next().and_then(|word| wanted.strip_prefix(&**word)) else {
            return false;
        };
        rest = behind.strip_prefix(' ');
        if rest.is_none() && !behind.is_empty() {
            return false;
        }
    }
    words.next().is_none_or(|word| word != "free")
}
