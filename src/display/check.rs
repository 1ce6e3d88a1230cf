//! A scale check, repeated weighings of one load, or the weighing of an empty vessel, that the page leads: the
//! daemon's readings through the guide, its words to the browsers. One at a time; it ends by itself.

use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::context::Context;
use super::{ask, idle};
use crate::guide::{Guide, Taken};
use crate::journal::read::scale_checks;
use crate::language::{Language, Sentence, Term, phrase, term};
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::metrology::repeatability::WEIGHINGS;
use crate::metrology::test_weights::{TestLoad, WeightClass};
use crate::protocol::call::Call;
use crate::protocol::reply::Refusal;
use crate::protocol::request::Request;
use crate::protocol::subscribers;
use crate::protocol::subscribers::Inbox;
use crate::text::harmless_json;
use crate::workshop::repeatability;
use crate::workshop::scale_check::{
    Check, CheckLog, Heard, NOT_PASSED, READINGS_ENDED, ability, hear,
};
use crate::workshop::scale_setup::{self, add_vessel, is_another_vessel, name_of};
use crate::workshop::several_loads::{self, SeveralLoads};

/// A check that nobody goes on with is over then.
const LONGEST: Duration = Duration::from_secs(600);
/// As [`LONGEST`], of each of several weighings.
const LONGEST_OF_ONE: Duration = Duration::from_secs(240);

/// How a check stands.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Standing {
    /// `check`, `repeatability` or `vessel`.
    event: &'static str,
    pub say: Sentence,
    /// Whether it is over.
    pub over: bool,
    /// Whether the scale passed; `None` where that is not known, or not yet.
    pub passed: Option<bool>,
}

impl Standing {
    /// As one event for the browsers, in their language.
    pub fn to_json(&self, language: Language) -> String {
        let said = Standing {
            say: self.say.put_into(language),
            ..self.clone()
        };
        harmless_json(&serde_json::json!(said).to_string())
    }
}

/// See the module's text.
#[derive(Debug)]
pub struct Checks {
    standing: watch::Sender<Option<Standing>>,
    running: Mutex<Option<JoinHandle<()>>>,
}

impl Default for Checks {
    fn default() -> Checks {
        Checks {
            standing: watch::Sender::new(None),
            running: Mutex::default(),
        }
    }
}

impl Checks {
    /// How the check stands: at once where one runs, then whenever that changes.
    pub fn follow(&self) -> watch::Receiver<Option<Standing>> {
        let mut standing = self.standing.subscribe();
        let runs = standing.borrow().as_ref().is_some_and(|one| !one.over);
        if runs {
            standing.mark_changed();
        }
        standing
    }

    /// Ends the check that runs, and says so; `false` where none does.
    pub async fn end(&self, say: Sentence) -> bool {
        let running = self.running().take();
        let Some(task) = running.filter(|task| !task.is_finished()) else {
            return false;
        };
        task.abort();
        // The log is nobody's only then; the next check needs it.
        let _ = task.await;
        let event = self.standing.borrow().as_ref().map(|one| one.event);
        self.voice(event.unwrap_or("check")).tell(say, true, None);
        true
    }

    fn running(&self) -> std::sync::MutexGuard<'_, Option<JoinHandle<()>>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a check of `scale` with a test weight of `weight` (with its unit) of `class`, or with several loads with
    /// commas between them; with `write` what these tell goes into the configuration. Gives the first sentence.
    ///
    /// # Errors
    /// In words, where that is no check, a batch is being weighed or the log of the checks is held.
    pub async fn begin(
        &self,
        calls: &mpsc::Sender<Call>,
        context: &Context,
        scale: String,
        weight: &str,
        class: &str,
        write: bool,
    ) -> Result<Sentence, Sentence> {
        let loads = weight.split(',').map(several_loads::load);
        let mut loads: Vec<TestLoad> = loads.collect::<Result<_, _>>()?;
        let class = WeightClass::from_name(class)
            .ok_or_else(|| phrase!("the classes are E2, F1, F2 and M1"))?;
        let ability = idle_scale(calls, context, &scale).await?;
        let voice = self.voice("check");
        let led = match loads.len() {
            1 => {
                let check = Check::new(loads.remove(0), class, &ability)?;
                let (log, events, say) = self.logged(calls, context, &ability).await?;
                voice.tell(say, false, None);
                tokio::spawn(lead(voice, check, ability, log, events))
            }
            _ => {
                let check = SeveralLoads::new(loads, class, &ability)?;
                let into = match write {
                    true => {
                        check.unwritten().map_or(Ok(()), Err)?;
                        let file = context.config_file().map_err(|error| error.told())?;
                        Some((file, calls.clone()))
                    }
                    false => None,
                };
                let (log, events, say) = self.logged(calls, context, &ability).await?;
                voice.tell(say, false, None);
                tokio::spawn(lead_loads(voice, check, ability, log, events, into))
            }
        };
        *self.running() = Some(led);
        Ok(clear_pan(&scale))
    }

    /// Begins ten weighings of one load on `scale`; with `write` what comes of them goes into the configuration.
    /// Gives the first sentence.
    ///
    /// # Errors
    /// In words, where a batch is being weighed or the log of the checks is held.
    pub async fn begin_repeatability(
        &self,
        calls: &mpsc::Sender<Call>,
        context: &Context,
        scale: String,
        write: bool,
    ) -> Result<Sentence, Sentence> {
        let ability = idle_scale(calls, context, &scale).await?;
        let into = match write {
            true => Some((
                context.config_file().map_err(|error| error.told())?,
                calls.clone(),
            )),
            false => None,
        };
        let (log, events, say) = self.logged(calls, context, &ability).await?;
        let voice = self.voice("repeatability");
        voice.tell(say.clone(), false, None);
        let led = lead_repeatability(voice, ability, log, events, into);
        *self.running() = Some(tokio::spawn(led));
        Ok(say)
    }

    /// Ends what runs, and opens the log of the checks for rows of the scale: with the daemon's readings and the first
    /// sentence.
    async fn logged(
        &self,
        calls: &mpsc::Sender<Call>,
        context: &Context,
        ability: &ScaleAbility,
    ) -> Result<(CheckLog, Inbox, Sentence), Sentence> {
        self.end(phrase!("Another check was begun.")).await;
        let logs = context.config().logs().map_err(|error| error.told())?;
        let opened = tokio::task::spawn_blocking(move || scale_checks::open(&logs)).await;
        let opened = opened.map_err(|error| error.to_string())?;
        let (log, found) = opened.map_err(|error| error.told())?;
        let log = CheckLog::new(log, &ability.name, ability.readability);
        let events = readings(calls).await.map_err(|refusal| refusal.error)?;
        let mut say = clear_pan(&ability.name);
        if let Some(torn) = found.and_then(|found| found.torn) {
            say = say.and(phrase!("Note: {torn}.", torn = torn.told()));
        }
        Ok((log, events, say))
    }

    /// Begins the weighing of an empty vessel on `scale`, which then is written into the configuration as `name`,
    /// with what it holds (a weight with its unit, or nothing); gives the first sentence.
    ///
    /// # Errors
    /// In words, where it has no name or weight, another has it, or a batch is being weighed.
    pub async fn begin_vessel(
        &self,
        calls: &mpsc::Sender<Call>,
        context: &Context,
        scale: String,
        name: &str,
        capacity: String,
    ) -> Result<Sentence, Sentence> {
        let standing = idle(calls, term!("weigh the vessel when it is over")).await;
        let standing = standing.map_err(|refusal| refusal.error)?;
        let config = context.config();
        let name =
            name_of(name).ok_or_else(|| phrase!("say what it is called, as: small beaker"))?;
        if is_another_vessel(&config, &name) {
            return Err(phrase!("another vessel is named {name} already", name));
        }
        if !capacity.trim().is_empty() {
            let holds = Mass::parse_with_unit(&capacity);
            holds.map_err(|why| phrase!("what it holds: {why}", why = Sentence::from(why)))?;
        }
        if !config.scales.iter().any(|known| known.name == scale) {
            return Err(phrase!("there is no scale of that name"));
        }
        let file = context.config_file().map_err(|error| error.told())?;
        let ability = ability(&config, &scale, &standing.status);
        self.end(phrase!("Another weighing was begun.")).await;
        let events = readings(calls).await.map_err(|refusal| refusal.error)?;
        let say = clear_pan(&scale);
        let voice = self.voice("vessel");
        voice.tell(say.clone(), false, None);
        let vessel = Vessel {
            name,
            capacity,
            file,
            calls: calls.clone(),
        };
        let led = lead_vessel(voice, vessel, ability, events);
        *self.running() = Some(tokio::spawn(led));
        Ok(say)
    }

    fn voice(&self, event: &'static str) -> Voice {
        Voice {
            standing: self.standing.clone(),
            event,
        }
    }
}

/// The scale of that name, while no batch is weighed.
async fn idle_scale(
    calls: &mpsc::Sender<Call>,
    context: &Context,
    scale: &str,
) -> Result<ScaleAbility, Sentence> {
    let standing = idle(calls, term!("check the scale when it is over")).await;
    let standing = standing.map_err(|refusal| refusal.error)?;
    let config = context.config();
    if !config.scales.iter().any(|known| known.name == scale) {
        return Err(phrase!("there is no scale of that name"));
    }
    Ok(ability(&config, scale, &standing.status))
}

/// What is done first.
fn clear_pan(scale: &str) -> Sentence {
    phrase!("Scale {scale}: take everything off the pan.", scale)
}

/// The daemon's readings from now on.
async fn readings(calls: &mpsc::Sender<Call>) -> Result<Inbox, Refusal> {
    let (outbox, events) = subscribers::queue();
    let subscribe = Request::Subscribe { readings: true };
    ask(calls, subscribe, None, Some(outbox)).await?;
    Ok(events)
}

/// Tells the browsers.
struct Voice {
    standing: watch::Sender<Option<Standing>>,
    event: &'static str,
}

impl Voice {
    fn tell(&self, say: Sentence, over: bool, passed: Option<bool>) {
        self.standing.send_replace(Some(Standing {
            event: self.event,
            say,
            over,
            passed,
        }));
    }

    /// The weighings to their end, `nothing` of which was done where there is none.
    async fn weighed(
        &self,
        guide: Guide,
        ability: &ScaleAbility,
        events: Inbox,
        nothing: Term,
    ) -> Option<Vec<Taken>> {
        let each = u32::try_from(guide.rounds()).unwrap_or(1);
        let longest = LONGEST.max(LONGEST_OF_ONE * each);
        let weighing = weigh(self, guide, ability, events);
        let say = match tokio::time::timeout(longest, weighing).await {
            Ok(Ok(taken)) => return Some(taken),
            Ok(Err(why)) => phrase!("{why}; {nothing}.", why, nothing),
            Err(_) => phrase!(
                "Nothing happened for a long time: it is over, {nothing}.",
                nothing
            ),
        };
        self.tell(say, true, None);
        None
    }
}

async fn lead(voice: Voice, check: Check, ability: ScaleAbility, log: CheckLog, events: Inbox) {
    let guide = Guide::new(1, Some(check.limits.nominal), ability.readability);
    let nothing = term!("nothing was logged");
    let taken = voice.weighed(guide, &ability, events, nothing).await;
    let Some(taken) = taken.and_then(|all| all.last().copied()) else {
        return;
    };
    let d = ability.readability;
    let (passed, words) = (check.pass(taken), check.words(taken, d));
    let mut log = log;
    let logged = tokio::task::spawn_blocking(move || {
        check.log(&mut log, taken).map_err(|error| error.told())
    });
    let say = match logged.await.map_err(|error| error.to_string().into()) {
        Ok(Ok(())) if passed => words,
        Ok(Ok(())) => phrase!("{words}\n{remedy}.", words, remedy = NOT_PASSED),
        Ok(Err(why)) | Err(why) => return voice.tell(unlogged(words, why), true, None),
    };
    voice.tell(say, true, Some(passed));
}

fn unlogged(words: Sentence, why: Sentence) -> Sentence {
    phrase!("{words}\nIt is NOT logged: {why}", words, why)
}

/// The same with several loads; what they tell goes `into` the configuration.
async fn lead_loads(
    voice: Voice,
    check: SeveralLoads,
    ability: ScaleAbility,
    mut log: CheckLog,
    events: Inbox,
    into: Option<(PathBuf, mpsc::Sender<Call>)>,
) {
    let nothing = term!("nothing was logged");
    let taken = voice
        .weighed(check.guide(), &ability, events, nothing)
        .await;
    let Some(taken) = taken else {
        return;
    };
    let Some(found) = check.found(&taken) else {
        let say = phrase!("Too few weighings; nothing was logged.");
        return voice.tell(say, true, None);
    };
    let passed = check.pass(&taken);
    let mut words = check.words(&taken, &found);
    if check.is_assumed() {
        words = phrase!(
            "{words}\nIts scatter is ASSUMED: weigh one load ten times first, and these limits come out narrower.",
            words,
        );
    }
    if !passed {
        words = phrase!("{words}\n{remedy}.", words, remedy = NOT_PASSED);
    }
    let (lines, errors) = (check.toml(&found), check.budgeted(&found));
    let logged = tokio::task::spawn_blocking(move || {
        check.log(&mut log, &taken).map_err(|error| error.told())
    });
    if let Ok(Err(why)) | Err(why) = logged.await.map_err(|error| error.to_string().into()) {
        return voice.tell(unlogged(words, why), true, None);
    }
    let Some((file, calls)) = into else {
        return voice.tell(words, true, Some(passed));
    };
    let written = tokio::task::spawn_blocking(move || {
        scale_setup::set_errors(&file, &ability.name, &lines, errors).map_err(|error| error.words())
    });
    let written = written.await.map_err(|error| error.to_string().into());
    counted(voice, words, passed, written.and_then(|done| done), &calls).await;
}

/// Tells whether bismar counts with what was `written`.
async fn counted(
    voice: Voice,
    words: Sentence,
    passed: bool,
    written: Result<(), Sentence>,
    calls: &mpsc::Sender<Call>,
) {
    match taken_over(written, calls).await {
        Ok(()) => {
            let say = phrase!("{words}\nbismar counts with it from now on.", words);
            voice.tell(say, true, Some(passed));
        }
        Err(why) => {
            let say = phrase!("{words}\nbismar does NOT count with it: {why}", words, why);
            voice.tell(say, true, Some(false));
        }
    }
}

async fn lead_repeatability(
    voice: Voice,
    ability: ScaleAbility,
    mut log: CheckLog,
    events: Inbox,
    into: Option<(PathBuf, mpsc::Sender<Call>)>,
) {
    let d = ability.readability;
    let guide = Guide::new(WEIGHINGS, None, d);
    let nothing = term!("nothing was logged");
    let Some(taken) = voice.weighed(guide, &ability, events, nothing).await else {
        return;
    };
    let Some(found) = repeatability::found(&taken, d) else {
        return voice.tell(
            phrase!("Too few weighings; nothing was logged."),
            true,
            None,
        );
    };
    let words = repeatability::words(&found);
    let logged = tokio::task::spawn_blocking(move || {
        repeatability::log(&mut log, &taken, &found).map_err(|error| error.told())
    });
    if let Ok(Err(why)) | Err(why) = logged.await.map_err(|error| error.to_string().into()) {
        return voice.tell(unlogged(words, why), true, None);
    }
    let Some((file, calls)) = into else {
        return voice.tell(words, true, Some(true));
    };
    let scale = ability.name;
    let written = tokio::task::spawn_blocking(move || {
        scale_setup::set_repeatability(&file, &scale, &found).map_err(|error| error.words())
    });
    let written = written.await.map_err(|error| error.to_string().into());
    counted(voice, words, true, written.and_then(|done| done), &calls).await;
}

/// Has the daemon take the configuration, where it was written.
async fn taken_over<T>(
    written: Result<T, Sentence>,
    calls: &mpsc::Sender<Call>,
) -> Result<(), Sentence> {
    written?;
    let reply = ask(calls, Request::Reload, None, None).await;
    reply.map(|_| ()).map_err(|refusal| refusal.error)
}

/// A vessel that is weighed, and where it is written.
struct Vessel {
    name: String,
    capacity: String,
    file: PathBuf,
    calls: mpsc::Sender<Call>,
}

async fn lead_vessel(voice: Voice, vessel: Vessel, ability: ScaleAbility, events: Inbox) {
    let d = ability.readability;
    let guide = Guide::new(1, None, d);
    let nothing = term!("nothing was written");
    let taken = voice.weighed(guide, &ability, events, nothing).await;
    let Some(taken) = taken.and_then(|all| all.last().copied()) else {
        return;
    };
    let Vessel {
        name,
        capacity,
        file,
        calls,
    } = vessel;
    let empty = format!("{} g", taken.net().grams(d));
    let said = phrase!(
        "{name} weighs {empty} g",
        name = &name,
        empty = taken.net().grams(d)
    );
    let written = tokio::task::spawn_blocking(move || {
        add_vessel(&file, &name, &empty, &capacity).map_err(|error| error.words())
    });
    let written = written.await.map_err(|error| error.to_string().into());
    match taken_over(written.and_then(|done| done), &calls).await {
        Ok(()) => voice.tell(
            phrase!("{said}; it is in the list.", said),
            true,
            Some(true),
        ),
        Err(why) => {
            let say = phrase!("{said}. It is NOT in the list: {why}", said, why);
            voice.tell(say, true, Some(false));
        }
    }
}

/// What was weighed, or why nothing was.
async fn weigh(
    voice: &Voice,
    mut guide: Guide,
    ability: &ScaleAbility,
    mut events: Inbox,
) -> Result<Vec<Taken>, Term> {
    while let Some(line) = events.next().await {
        match hear(&mut guide, &ability.name, &line) {
            Heard::Told(told) => {
                for told in &told {
                    let say = match voice.event {
                        "vessel" => told.say_of_a_vessel(ability.readability),
                        _ => told.say(ability.readability),
                    };
                    if let Some(say) = say {
                        voice.tell(say, false, None);
                    }
                }
            }
            Heard::Ended(why) => return Err(why),
        }
        if guide.is_done() {
            return Ok(guide.taken().to_vec());
        }
    }
    Err(READINGS_ENDED)
}
