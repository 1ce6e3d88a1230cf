//! German and French names. A German compound is known by its shape, as a plant and "öl", or "säure" behind anything
//! but a fatty acid; a French one by what follows "huile de" or "acide".
//!
//! All from memory and common practice, no source. The words come as [`super::words`] makes them: small, without
//! accents, `ae` for `ä` and `ss` for `ß`.

use super::{
    Kind, NOT_SCENT as NOT_SCENT_EITHER, SCENT_PLANTS, alone, has, has_any, is_term, starts, terms,
};

/// Whether it is this kind by a German or French name.
pub(super) fn is(kind: Kind, words: &[String]) -> bool {
    let any = |list: &str| has_any(words, list);
    let begins = |list: &str| begins(words, list);
    match kind {
        Kind::EssentialOil => scent(words),
        Kind::CitrusOil => scent(words) && of(words, CITRUS),
        Kind::MentholOrCamphor => {
            begins("campher, kampfer, camphre") || (scent(words) && of(words, MENTHOL_PLANTS))
        }
        Kind::Isolate => alone(words, ISOLATES),
        Kind::Preservative => any(PRESERVATIVES) || begins("konservier"),
        Kind::Water => water(words) && !lye(words),
        Kind::Acid => acid(words),
        Kind::AcidDust => begins(DUSTY_ACIDS) || any(DUSTY_ACIDS),
        Kind::SalicylicAcid => begins("salicylsaeure") || any("acide salicylique"),
        Kind::Dust => dust(words),
        Kind::Peroxide => ends(words, "peroxid, percarbonat") || any(PEROXIDES),
        Kind::Lye => lye(words),
        Kind::Soap => soap(words),
        Kind::Bicarbonate => (any(BICARBONATES) || alone(words, "soda")) && !lye(words),
        Kind::Flammable => any(SPIRITS) || spirit(words),
        Kind::Wax => {
            let wax = ends(words, "wachs") || any("cire, paraffine");
            wax && !begins("jojoba, wollwachs, lanolin")
        }
        Kind::NutOil => nut(words) && (oily(words) || ends(words, "butter") || any("beurre")),
        Kind::Thick => any(THICK),
        Kind::Plain => alone(words, PLAIN),
        Kind::Detergent => {
            begins("tensid, schaumbildner, zuckertensid, kokostensid, waschtensid")
                || any(
                    "tensioactif, tensioactifs, base moussante, agent moussant, mousse de babassu, mousse de sucre",
                )
        }
    }
}

// ---- scents ----

/// Whatever the supplier calls it.
const SCENTS: &str = "\
    aeth, aeoe, he, h e, huile essentielle, huiles essentielles, absolue, absolu, parfuem, parfuemoel, duftoel, \
    duftoele, aromaoel, aromaoele, parfum, essence parfumee";

/// As they begin or end what stands before "öl".
const PLANTS: &str = "\
    amyris, angelika, anis, baldrian, basilikum, beifuss, benzoe, bergamott, bergamotte, bergamotten, bohnenkraut, \
    cajeput, kajeput, cassia, citronell, citronella, clementinen, copaiva, dill, douglasien, elemi, estragon, \
    eukalyptus, eucalyptus, fenchel, fichten, galbanum, geranien, geranium, grapefruit, guajak, helichrysum, immortellen, \
    ingwer, jasmin, kamillen, kampfer, kanuka, kardamom, karottensamen, kassia, kiefern, koriander, kreuzkuemmel, \
    kuemmel, kurkuma, labdanum, lavandin, lavendel, lemongras, lemongrass, limetten, limonen, litsea, lorbeer, majoran, \
    mandarinen, manuka, melissen, minz, minze, minzen, muskat, muskatnuss, myrrhen, myrrhe, myrten, narden, nelken, \
    neroli, niaouli, orangen, oregano, palmarosa, pampelmusen, patchouli, patschuli, petitgrain, pfeffer, pfefferminz, \
    pfefferminze, piment, pomeranzen, quendel, ravensara, ravintsara, rosen, rosengeranien, rosmarin, salbei, \
    sandel, schafgarben, speik, tannen, teebaum, teatree, thymian, tuberosen, vanille, vetiver, wacholder, weihrauch, wermut, \
    wintergruen, ylang, ylangylang, ysop, yuzu, zedern, zeder, zimt, zirben, zirbel, zitronell, zitronella, zitronen, \
    citronen, zitronengras, zitronenmelissen, zypressen, zypresse, rosenholz, sandelholz, zedernholz";

/// Parts of plants between the plant and "öl"; a seed or kernel is none of them, since its oil is a fixed one.
const PARTS: &str = "\
    blueten, bluete, blatt, blaetter, nadel, nadeln, holz, rinden, rinde, knospen, wurzel, harz, beeren, beer, \
    schalen, schale, kraut, zweig";

/// What ends as a plant above and gives a fixed oil.
const FIXED: &str = "schwarzkuemmel, wildrosen, heckenrosen, hundsrosen, hagebutten, nachtkerzen";

/// After "huile", "essence".
const FRENCH_PLANTS: &str = "\
    absinthe, amyris, angelique, anis, arbre a the, badiane, basilic, bergamote, bigarade, bois de ho, bois de rose, \
    cajeput, camomille, camphre, camphrier, cannelle, cardamome, cassia, cedre, ciste, citron, citronnelle, \
    citron vert, clementine, clou de girofle, clous de girofle, copahu, coriandre, cumin, curcuma, cypres, elemi, \
    encens, epinette, estragon, eucalyptus, fenouil, gaultherie, genevrier, genievre, geranium, gingembre, girofle, \
    helichryse, hysope, immortelle, jasmin, laurier, lavande, lavandin, lemongrass, lime, limette, litsea, litsee, \
    mandarine, manuka, marjolaine, melisse, menthe, menthe poivree, muscade, myrrhe, myrte, nard, neroli, niaouli, \
    oliban, orange, origan, palmarosa, pamplemousse, patchouli, petit grain, petitgrain, pin, pin sylvestre, poivre, \
    ravensara, ravintsara, romarin, rose de damas, santal, sapin, sarriette, sauge, tea tree, thym, valeriane, \
    verveine, vetiver, wintergreen, ylang, yuzu";

/// With one of these words it is a fixed oil, a water or an extract.
const NOT_SCENT: &str = "\
    extrakt, extrait, mazerat, oelauszug, macerat, macere, graine, graines, pepin, pepins, noyau, noyaux, vegetale, \
    huile vegetale, hydrolat, wasser, eau, samen, kern, kerne, wachs, cire, butter, beurre";

const CITRUS: &str = "\
    bergamott, bergamotte, bergamotten, clementinen, grapefruit, limetten, limonen, mandarinen, orangen, pampelmusen, \
    pomeranzen, yuzu, zitronen, citronen, zitrus, citrus, bergamote, bigarade, citron, citron vert, clementine, \
    lime, limette, mandarine, orange, pamplemousse";

/// Plants whose oil holds much menthol, camphor or eucalyptol.
const MENTHOL_PLANTS: &str = "\
    eukalyptus, kampfer, campher, minz, minze, pfefferminz, pfefferminze, ravintsara, rosmarin, eucalyptus, camphre, \
    camphrier, menthe, menthe poivree, romarin";

const ISOLATES: &str = "\
    mentholkristalle, campher, kampfer, limonen, limonene, cumarin, coumarine, vanilline, zimtaldehyd, zimtalkohol, \
    cineol, anethol, carvon, methylsalicylat, linalylacetat, eugenol, menthol, thymol, camphre, cristaux de menthol, \
    cristaux de camphre";

fn scent(words: &[String]) -> bool {
    let named = has_any(words, SCENTS) || begins(words, "aetherisch");
    let plain = !has_any(words, NOT_SCENT) && !has_any(words, NOT_SCENT_EITHER);
    // "Tea Tree Öl": shops keep the English plant.
    let english = oily(words) && has_any(words, SCENT_PLANTS);
    named || (plain && (english || of(words, PLANTS) || french_oil(words, FRENCH_PLANTS)))
}

/// Whether it is the oil of one of these plants, German or French.
fn of(words: &[String], plants: &str) -> bool {
    let parted = words.iter().any(|word| OIL.contains(&word.as_str()));
    // "Lavendelöl"; "Lavendel-Öl", "Öl Lavendel, ätherisch".
    let compound = words.iter().any(|word| match stem(word) {
        Some(stem) => is_of(stem, plants),
        None => (parted || begins(words, "aeth, aetherisch")) && is_of(word, plants),
    });
    compound || french_oil(words, plants)
}

const OIL: [&str; 2] = ["oel", "oele"];

/// What stands before "öl", if anything does.
fn stem(word: &str) -> Option<&str> {
    OIL.iter()
        .find_map(|oil| word.strip_suffix(oil))
        .filter(|stem| !stem.is_empty())
}

fn is_of(stem: &str, plants: &str) -> bool {
    if terms(FIXED).any(|fixed| stem.ends_with(fixed)) {
        return false;
    }
    let parts = terms(PARTS).filter_map(|part| stem.strip_suffix(part));
    std::iter::once(stem)
        .chain(parts)
        .any(|stem| terms(plants).any(|plant| stem.ends_with(plant)))
}

fn french_oil(words: &[String], plants: &str) -> bool {
    let short = has_any(words, "he, h e, absolue, absolu");
    (has_any(words, "huile, huiles, essence, essences") || short) && has_any(words, plants)
}

/// Whether it is called an oil.
fn oily(words: &[String]) -> bool {
    has_any(words, "oel, oele, huile, huiles") || words.iter().any(|word| stem(word).is_some())
}

// ---- what burns and bites ----

const LYES: &str = "\
    seifenstein, hydroxyde de sodium, hydroxyde de potassium, lessive de soude, lessive de potasse, soude caustique, \
    potasse caustique, soude en perles, soude en paillettes, perles de soude, paillettes de soude";

fn lye(words: &[String]) -> bool {
    // "Soude" alone is the lye; "cristaux de soude" are carbonate, "bicarbonate de soude" that.
    let bare = starts(words, "soude") && !has_any(words, "lavage, carbonate");
    let german = "natriumhydroxid, natriumhydroxyd, kaliumhydroxid, kaliumhydroxyd, aetznatron, aetzkali, aetzsoda";
    bare || ends(words, "lauge") || begins(words, german) || has_any(words, LYES)
}

/// Not of those that take soap apart, or react with bicarbonate to speak of: fatty acids, preservatives, gums.
const MILD_ACIDS: &str = "\
    fettsaeure, stearinsaeure, oelsaeure, palmitinsaeure, laurinsaeure, myristinsaeure, behensaeure, linolsaeure, \
    linolensaeure, ricinolsaeure, rizinolsaeure, caprylsaeure, caprinsaeure, undecylensaeure, hyaluronsaeure, \
    kieselsaeure, aminosaeure, sorbinsaeure, benzoesaeure, dehydracetsaeure, dehydroacetsaeure, laevulinsaeure, \
    levulinsaeure, anissaeure, pantothensaeure, folsaeure, alginsaeure, huminsaeure";
const MILD_FRENCH_ACIDS: &str = "\
    gras, stearique, oleique, palmitique, laurique, myristique, behenique, linoleique, linolenique, ricinoleique, \
    caprylique, caprique, undecylenique, hyaluronique, silicique, amine, sorbique, benzoique, dehydroacetique, \
    levulinique, anisique, pantothenique, folique, alginique";

/// Acids that come as a fine powder.
const DUSTY_ACIDS: &str = "\
    zitronensaeure, citronensaeure, aepfelsaeure, apfelsaeure, weinsaeure, weinsteinsaeure, ascorbinsaeure, weinstein, \
    acide citrique, acide malique, acide tartrique, acide ascorbique, creme de tartre";

fn acid(words: &[String]) -> bool {
    let german = words.iter().any(|word| {
        let salt_of_none = word.contains("saeure") && !word.ends_with("saeurefrei");
        salt_of_none && !terms(MILD_ACIDS).any(|mild| word.contains(mild))
    });
    let french = words.windows(2).any(|pair| match pair {
        [acid, of] => acid == "acide" && !is_term(MILD_FRENCH_ACIDS, of),
        _ => false,
    });
    let more = "weinstein, zitronensaft, limettensaft, vinaigre, creme de tartre, jus de citron";
    german || french || has_any(words, more) || ends(words, "essig") || begins(words, "essigessenz")
}

const BICARBONATES: &str = "\
    natron, backnatron, speisenatron, kaisernatron, natriumhydrogencarbonat, natriumbicarbonat, natriumcarbonat, \
    natriumhydrogenkarbonat, natriumkarbonat, kaliumhydrogencarbonat, kaliumbicarbonat, kaliumcarbonat, pottasche, \
    waschsoda, kristallsoda, feinsoda, backpulver, hirschhornsalz, bicarbonate, bicarbonate de soude, \
    bicarbonate de sodium, bicarbonate de potassium, carbonate de sodium, carbonate de soude, \
    carbonate de potassium, cristaux de soude, soude de lavage, levure chimique";

const PEROXIDES: &str = "eau oxygenee, peroxyde, percarbonate, percarbonate de soude";

const SPIRITS: &str = "\
    weingeist, spiritus, wodka, branntwein, franzbranntwein, bioethanol, azeton, aceton, essigester, ethylacetat, \
    esprit de vin, eau de vie, rhum, acetate d ethyle";

fn spirit(words: &[String]) -> bool {
    // As in English: of those in "yl" only the short ones burn as spirits do.
    let alcohol = |word: &String| {
        let Some(stem) = word.strip_suffix("alkohol") else {
            return word.ends_with("sprit") || word.ends_with("spiritus");
        };
        let short = "ethyl, aethyl, isopropyl, methyl, propyl";
        match stem.ends_with("yl") {
            true => is_term(short, stem),
            false => {
                !terms("fett, wachs, lanolin, kokos, woll, zimt").any(|one| stem.ends_with(one))
            }
        }
    };
    words.iter().any(alcohol)
}

// ---- the rest ----

const PRESERVATIVES: &str = "\
    kaliumsorbat, natriumbenzoat, sorbinsaeure, benzoesaeure, benzylalkohol, dehydracetsaeure, dehydroacetsaeure, \
    conservateur, sorbate de potassium, benzoate de sodium, alcool benzylique, acide sorbique, acide benzoique, \
    acide dehydroacetique";

fn water(words: &[String]) -> bool {
    let scented = "kirschwasser, duftwasser, parfuemwasser";
    let german = words
        .iter()
        .any(|word| word.ends_with("wasser") && !is_term(scented, word));
    let french = (starts(words, "eau") || starts(words, "eaux"))
        && !has_any(words, "vie, oxygenee, cologne, parfum, toilette, javel");
    german || french || ends(words, "hydrolat, bluetenwasser") || has_any(words, "hydrolats")
}

fn soap(words: &[String]) -> bool {
    let flakes = "seifenflocken, seifenbasis, seifenraspel, seifenspaene, seifenleim";
    let french = has(words, "savon") && !has_any(words, "noix, bois");
    ends(words, "seife") || begins(words, flakes) || french
}

const DUSTS: &str = "\
    talkum, talkpuder, tonerde, heilerde, lavaerde, bentonit, titandioxid, zinkoxid, aktivkohle, kieselsaeure, \
    kieselgur, magnesiumcarbonat, magnesiumkarbonat, pfeilwurz, glimmer, micapulver, natriumlaurylsulfoacetat, \
    natriumcocoylisethionat, natriumlaurylsulfat, natriumcocosulfat, natriumkokossulfat";
const FRENCH_DUSTS: &str = "\
    ton, argile, argiles, amidon, fecule, charbon actif, charbon vegetal, silice, oxyde de zinc, dioxyde de titane, \
    carbonate de magnesium, arrow root, blanc de meudon, talc";

fn dust(words: &[String]) -> bool {
    begins(words, DUSTS) || has_any(words, FRENCH_DUSTS) || ends(words, "staerke, speisestaerke")
}

/// Whether a name says that it is a solution: "Zitronensäurelösung".
pub(super) fn dissolved(names: &[Vec<String>]) -> bool {
    names.iter().any(|words| ends(words, "loesung"))
}

/// English as well, since one word of it does: "Badesalz", "Fußbad", "sel de bain", "bath soak".
pub(super) fn is_for_bath(words: &[String]) -> bool {
    let english = words.iter().any(|word| word.contains("bath"));
    let german = begins(
        words,
        "bade, badsalz, badkugel, badschaum, badzusatz, badoel",
    );
    english || german || ends(words, "bad") || has_any(words, "bain, bains, baignoire")
}

const THICK: &str = "\
    honig, glyzerin, zuckersirup, sirup, ahornsirup, agavendicksaft, melasse, wollwachs, lezithin, miel, sirop, \
    lanoline, lecithine, glycerine vegetale";

/// As [`super::PLAIN`]. What tells a form is left out of a name before (the "d" of "sel d'Epsom", "gros").
const PLAIN: &str = "\
    salz, meersalz, steinsalz, bittersalz, totes meer salz, himalayasalz, kochsalz, siedesalz, natriumchlorid, \
    magnesiumsulfat, magnesiumchlorid, kaliumchlorid, natriumsulfat, magnesiumflocken, natriumcitrat, \
    sonnenblumenoel, olivenoel, jojobaoel, kokosoel, kokosfett, rizinusoel, traubenkernoel, avocadooel, \
    aprikosenkernoel, hagebuttenkernoel, wildrosenoel, faerberdisteloel, disteloel, rapsoel, nachtkerzenoel, \
    borretschoel, kamelienoel, hanfoel, reiskeimoel, leinoel, sheabutter, karitebutter, kakaobutter, mangobutter, \
    neutraloel, squalan, cetylalkohol, stearylalkohol, cetearylalkohol, cetylstearylalkohol, behenylalkohol, \
    stearinsaeure, harnstoff, xanthan, hafermehl, haferflocken, \
    sel, sel marin, sel de mer, sel epsom, sels epsom, sel gemme, sel rose, sel de la mer morte, fleur de sel, \
    chlorure de sodium, sulfate de magnesium, chlorure de magnesium, sulfate de sodium, citrate de sodium, \
    huile de tournesol, huile olive, huile de jojoba, huile de coco, huile de coprah, huile de ricin, \
    huile de pepins de raisin, huile avocat, huile de noyau abricot, huile de noyaux abricot, huile de rose musquee, \
    huile de carthame, huile de colza, huile onagre, huile de bourrache, huile de camelia, huile de chanvre, \
    huile de son de riz, beurre de karite, beurre de cacao, beurre de mangue, vitamine e, alcool cetylique, \
    alcool stearylique, alcool cetearylique, acide stearique, uree, gomme xanthane, farine avoine, \
    flocons avoine";

fn nut(words: &[String]) -> bool {
    let german = "\
        mandel, suessmandel, haselnuss, walnuss, erdnuss, macadamia, makadamia, pekan, pistazien, cashew, paranuss, argan";
    let french = "\
        noisette, noisettes, arachide, cacahuete, pistache, noix de macadamia, noix de pecan, noix de cajou, \
        noix du bresil, macadamia, argan";
    // The kernel of an apricot is an "amande" in French, and coconut and nutmeg are a "noix".
    let almond = has_any(words, "amande, amandes") && !has_any(words, "abricot, abricots");
    let walnut = has_any(words, "noix") && !has_any(words, "coco, muscade, karite, palme");
    begins(words, german) || has_any(words, french) || almond || walnut
}

/// Whether a word begins with one of the list.
fn begins(words: &[String], list: &str) -> bool {
    words
        .iter()
        .any(|word| terms(list).any(|term| word.starts_with(term)))
}

/// Whether a word ends with one of the list.
fn ends(words: &[String], list: &str) -> bool {
    words
        .iter()
        .any(|word| terms(list).any(|term| word.ends_with(term)))
}
