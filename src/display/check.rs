//! A scale check that the page leads: the daemon's readings through the guide, its words to the browsers.
//! One at a time; it ends by itself.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::AbortHandle;

use super::ask;
use super::context::Context;
use crate::guide::{Guide, Taken};
use crate::journal::read::scale_checks;
use crate::mass::Mass;
use crate::metrology::ScaleAbility;
use crate::metrology::test_weights::{TestLoad, WeightClass};
use crate::protocol::call::Call;
use crate::protocol::reply::Answer;
use crate::protocol::request::Request;
use crate::protocol::subscribers;
use crate::protocol::subscribers::Inbox;
use crate::text::harmless_json;
use crate::workshop::scale_check::{Check, CheckLog, Heard, NOT_PASSED, ability, hear};

/// A check that nobody goes on with is over then.
const LONGEST: Duration = Duration::from_secs(600);

/// How a check stands.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Standing {
    /// Always `check`.
    event: &'static str,
    pub say: String,
    /// Whether it is over.
    pub over: bool,
    /// Whether the scale passed; `None` where that is not known, or not yet.
    pub passed: Option<bool>,
}

impl Standing {
    /// As one event for the browsers.
    pub fn to_json(&self) -> String {
        harmless_json(&serde_json::json!(self).to_string())
    }
}

/// See the module's text.
#[derive(Debug)]
pub struct Checks {
    standing: watch::Sender<Option<Standing>>,
    running: Mutex<Option<AbortHandle>>,
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
    pub fn end(&self, say: &str) -> bool {
        let running = self.running().take();
        let Some(task) = running.filter(|task| !task.is_finished()) else {
            return false;
        };
        task.abort();
        tell(&self.standing, say, true, None);
        true
    }

    fn running(&self) -> std::sync::MutexGuard<'_, Option<AbortHandle>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a check of `scale` with a test weight of `weight` (with its unit) of `class`; gives the first
    /// sentence.
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
    ) -> Result<String, String> {
        let weight = Mass::parse_with_unit(weight).map_err(|error| error.to_string())?;
        let class = WeightClass::from_name(class).ok_or("the classes are E2, F1, F2 and M1")?;
        let reply = ask(calls, Request::Status, None, None).await;
        let Answer::Status(standing) = reply.map_err(|refusal| refusal.error)? else {
            return Err("the daemon did not say how it stands".to_owned());
        };
        if standing.status.formula.is_some() {
            return Err("a batch is being weighed; check the scale when it is over".to_owned());
        }
        let config = context.config();
        if !config.scales.iter().any(|known| known.name == scale) {
            return Err("there is no scale of that name".to_owned());
        }
        let ability = ability(&config, &scale, &standing.status);
        let load = TestLoad::new(vec![weight]).ok_or("no test weight has that mass")?;
        let check = Check::new(load, class, &ability)?;
        self.end("Another check was begun.");
        let logs = config.logs().map_err(|error| error.to_string())?;
        let opened = tokio::task::spawn_blocking(move || scale_checks::open(&logs)).await;
        let opened = opened.map_err(|error| error.to_string())?;
        let (log, found) = opened.map_err(|error| error.to_string())?;
        let log = CheckLog::new(log, &scale, ability.readability);
        let (outbox, events) = subscribers::queue();
        let subscribe = Request::Subscribe { readings: true };
        let reply = ask(calls, subscribe, None, Some(outbox)).await;
        reply.map_err(|refusal| refusal.error)?;
        let mut say = format!("Scale {scale}: take everything off the pan.");
        if let Some(torn) = found.and_then(|found| found.torn) {
            say.push_str(&format!(" Note: {torn}."));
        }
        tell(&self.standing, &say, false, None);
        let led = lead(self.standing.clone(), check, ability, log, events);
        *self.running() = Some(tokio::spawn(led).abort_handle());
        Ok(say)
    }
}

fn tell(standing: &watch::Sender<Option<Standing>>, say: &str, over: bool, passed: Option<bool>) {
    standing.send_replace(Some(Standing {
        event: "check",
        say: say.to_owned(),
        over,
        passed,
    }));
}

async fn lead(
    standing: watch::Sender<Option<Standing>>,
    check: Check,
    ability: ScaleAbility,
    log: CheckLog,
    events: Inbox,
) {
    let weighing = weigh(&standing, &check, &ability, events);
    let taken = match tokio::time::timeout(LONGEST, weighing).await {
        Ok(Ok(taken)) => taken,
        Ok(Err(why)) => {
            return tell(
                &standing,
                &format!("{why}; nothing was logged."),
                true,
                None,
            );
        }
        Err(_) => {
            let say = "Nothing happened for a long time: the check is over, nothing was logged.";
            return tell(&standing, say, true, None);
        }
    };
    let d = ability.readability;
    let (passed, words) = (check.pass(taken), check.words(taken, d));
    let mut log = log;
    let logged = tokio::task::spawn_blocking(move || {
        check
            .log(&mut log, taken)
            .map_err(|error| error.to_string())
    });
    let say = match logged.await.map_err(|error| error.to_string()) {
        Ok(Ok(())) if passed => words,
        Ok(Ok(())) => format!("{words}\n{NOT_PASSED}."),
        Ok(Err(why)) | Err(why) => {
            let say = format!("{words}\nIt is NOT logged: {why}");
            return tell(&standing, &say, true, None);
        }
    };
    tell(&standing, &say, true, Some(passed));
}

/// The weighing of the test weight, or why there is none.
async fn weigh(
    standing: &watch::Sender<Option<Standing>>,
    check: &Check,
    ability: &ScaleAbility,
    mut events: Inbox,
) -> Result<Taken, &'static str> {
    let mut guide = Guide::new(1, Some(check.limits.nominal), ability.readability);
    while let Some(line) = events.next().await {
        match hear(&mut guide, &ability.name, &line) {
            Heard::Told(told) => {
                for say in told.iter().filter_map(|told| told.say(ability.readability)) {
                    tell(standing, &say, false, None);
                }
            }
            Heard::Ended(why) => return Err(why),
        }
        if let Some(taken) = guide.taken().last().filter(|_| guide.is_done()) {
            return Ok(*taken);
        }
    }
    Err("the daemon's readings ended")
}
