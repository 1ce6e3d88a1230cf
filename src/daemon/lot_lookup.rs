//! A lot that is named, and a batch that begins: what is said of lots once they are looked up.

use tokio::sync::oneshot;

use super::core::Core;
use super::late_lot::LateLot;
use super::pending::PendingReply;
use super::ports::Weigher;
use super::stock::Question;
use crate::language::{Sentence, phrase};
use crate::lots::advice::{Advice, ForStep, Need, Snapshot};
use crate::mass::Mass;
use crate::protocol::reply;
use crate::protocol::reply::{Answer, Refusal, Said};
use crate::vocabulary::code::Help;
use crate::vocabulary::command::Command;
use crate::vocabulary::progress::Recorded;

/// Of what speaks against a lot, the characters that go into the log before the reason.
const LONGEST_WHY: usize = 180;

type Reply = oneshot::Sender<reply::Reply>;

impl<H: Weigher> Core<H> {
    /// A lot is named, for the step that waits or for `step`. Where nothing waits for one, or no lots are kept, it is
    /// answered at once, else the lot is looked up first.
    pub(super) fn lot(
        &mut self,
        lot: String,
        step: Option<usize>,
        despite: Option<String>,
        reply: Reply,
    ) {
        let recorded = step.map_or(Ok(None), |step| self.bench.recorded_of(step));
        let step = match recorded {
            // Said again it is not looked up again.
            Ok(Some(recorded)) if recorded.lot == lot => {
                return self.take_lot(lot, step, None, None, reply);
            }
            Ok(recorded) => step.filter(|_| recorded.is_some()),
            Err(refused) => {
                let _ = reply.send(Err(refused.into()));
                return;
            }
        };
        let Some(of) = self.for_step(step) else {
            let note = despite.map(|reason| format!("lot {lot}: {reason}"));
            return self.take_lot(lot, step, note, None, reply);
        };
        let late = step.is_some();
        let Some(files) = self.parts.opener.stock() else {
            return self.answer_lot(lot, despite, late, &of, None, reply);
        };
        let question = Question::Lot {
            lot,
            despite,
            late,
            step: of,
            reply,
        };
        if let Err(Question::Lot { reply, .. }) = self.looking.ask(question, files) {
            let text = phrase!("other lots are still being looked up; name it again in a moment");
            let _ = reply.send(Err(Refusal::new(text)));
        }
    }

    /// A lot is named for a step of a batch that is not under way. Its log is read and written away from the loop.
    pub(super) fn late_lot(&mut self, late: LateLot, reply: Reply) {
        let busy = self.late.as_ref().is_some_and(|task| !task.is_finished());
        let files = match self.parts.opener.late() {
            Ok(_) if busy => Err(phrase!(
                "another lot is still being written down; name it again in a moment"
            )),
            files => files,
        };
        match files {
            Ok(files) => {
                self.late = Some(tokio::task::spawn_blocking(move || {
                    // The client may have left meanwhile; what it asked for is done all the same.
                    let _ = reply.send(late.write(&files).map(Answer::Said));
                }));
            }
            Err(why) => {
                let _ = reply.send(Err(why.into()));
            }
        }
    }

    /// The step that waits to be weighed, or the one of this number that is recorded.
    fn for_step(&self, recorded: Option<usize>) -> Option<ForStep> {
        self.rows.as_ref()?;
        let Some(step) = recorded else {
            let status = self.bench.status();
            return Some(ForStep {
                batch: Some(self.batch.clone()),
                step: status.step?,
                ingredient: status.ingredient?,
                needed: status.target.map_or(Mass::ZERO, |target| target.mass),
            });
        };
        let Recorded {
            ingredient, net, ..
        } = self.bench.recorded_of(step).ok()??;
        Some(ForStep {
            batch: Some(self.batch.clone()),
            step,
            ingredient,
            needed: net,
        })
    }

    /// The batch has begun; what is known of the lots is said with it.
    pub(super) fn say_begun(&mut self, said: Said, needs: Vec<Need>, reply: Reply) {
        let now = self.clock.now();
        self.settle(now);
        let question = Question::Begun { said, needs, reply };
        let not_asked = match self.parts.opener.stock() {
            Some(files) => self.looking.ask(question, files).err(),
            None => Some(question),
        };
        if let Some(Question::Begun { said, reply, .. }) = not_asked {
            let _ = reply.send(Ok(Answer::Said(said)));
        }
    }

    /// The answer to a question about lots.
    pub(super) fn looked_up(&mut self, question: Question, stock: &Snapshot) {
        match question {
            Question::Begun {
                mut said,
                needs,
                reply,
            } => {
                for warning in stock.warn(&needs) {
                    // One with a place of a file has its stop already.
                    match warning.ends_with('.') {
                        true => said.note(warning),
                        false => said.note(phrase!("{warning}.", warning)),
                    }
                }
                let _ = reply.send(Ok(Answer::Said(said)));
            }
            Question::Lot {
                lot,
                despite,
                late,
                step,
                reply,
            } => self.answer_lot(lot, despite, late, &step, Some(stock), reply),
        }
    }

    /// The lot is taken, or it is said why not; `stock` is `None` where no lots are kept.
    fn answer_lot(
        &mut self,
        lot: String,
        despite: Option<String>,
        late: bool,
        step: &ForStep,
        stock: Option<&Snapshot>,
        reply: Reply,
    ) {
        let recorded = late.then_some(step.step);
        match self.judged(&lot, despite.as_deref(), recorded, step, stock) {
            Ok((note, say)) => self.take_lot(lot, recorded, note, say, reply),
            Err(refusal) => {
                let _ = reply.send(Err(refusal));
            }
        }
    }

    /// The note that the log gets and what else there is to say of the lot, or why it is not taken.
    fn judged(
        &self,
        lot: &str,
        despite: Option<&str>,
        recorded: Option<usize>,
        step: &ForStep,
        stock: Option<&Snapshot>,
    ) -> Result<(Option<String>, Option<Sentence>), Refusal> {
        // The lot was read off the package of that step, and of no other.
        let same = |now: &ForStep| (&now.batch, &now.ingredient) == (&step.batch, &step.ingredient);
        let now = self.for_step(recorded);
        let Some(now) = now.filter(same) else {
            let refusal = Refusal::new(phrase!(
                "{ingredient} was finished while lot {lot} was being looked up, so the lot was not taken; write it down as \
                 a note",
                ingredient = &step.ingredient,
                lot,
            ));
            return Err(refusal.help(Help::Note));
        };
        let advice = stock.map_or(Advice::Good(None), |stock| stock.advise(lot, &now));
        let broken = self.bench.out_of_limits_with(&now.ingredient, lot);
        weigh_up(lot, advice, broken, despite)
    }

    /// The lot goes to the bench, after its note; the reply waits for both rows.
    fn take_lot(
        &mut self,
        lot: String,
        recorded: Option<usize>,
        note: Option<String>,
        say: Option<Sentence>,
        reply: Reply,
    ) {
        let named = match recorded {
            Some(step) => Command::LotOf(step, lot),
            None => Command::Lot(lot),
        };
        let mut tickets = Vec::new();
        let note = note.map(Command::Note);
        let mut said = Ok(String::new());
        for command in note.into_iter().chain([named]) {
            said = self.command(command);
            tickets.append(&mut self.made);
            if said.is_err() {
                break;
            }
        }
        match said {
            Ok(said) => {
                let language = self.speaks();
                let say = match say {
                    Some(more) => format!("{said} {}", more.in_language(language)),
                    None => said,
                };
                self.pending
                    .add(PendingReply::new(reply, say, None, tickets));
            }
            Err(refusal) => {
                let _ = reply.send(Err(refusal));
            }
        }
    }
}

/// The note that the log gets with a lot, and what else there is to say of it; `broken` is what it brings out of its
/// limits.
///
/// # Errors
/// Why it is not taken without a reason given.
pub(super) fn weigh_up(
    lot: &str,
    advice: Advice,
    broken: Option<String>,
    despite: Option<&str>,
) -> Result<(Option<String>, Option<Sentence>), Refusal> {
    let broken = broken.map(|broken| phrase!("with lot {lot}, {broken}", lot, broken));
    let advice = match (advice, broken) {
        (advice, None) => advice,
        (Advice::Good(_), Some(broken)) => Advice::Against(broken),
        (Advice::Against(why), Some(broken)) => {
            Advice::Against(phrase!("{why}; {broken}", why = stopless(why), broken))
        }
    };
    match (advice, despite) {
        (Advice::Good(say), None) => Ok((None, say)),
        (Advice::Good(say), Some(reason)) => Ok((Some(format!("lot {lot}: {reason}")), say)),
        (Advice::Against(why), Some(reason)) => {
            let short = shortened(&why);
            let note = format!("{short}; taken all the same: {reason}");
            // What is too long for the log is too long to be said.
            let why = match *why == *short {
                true => why,
                false => short.as_str().into(),
            };
            let say = phrase!("Noted: {why}, taken all the same.", why);
            Ok((Some(note), Some(say)))
        }
        (Advice::Against(why), None) => {
            let refusal = Refusal::new(phrase!(
                "{why}. Take another lot, or say why this one is good.",
                why = stopless(why),
            ));
            Err(refusal.help_of(Help::Despite, lot))
        }
    }
}

/// What a sentence goes on with behind it.
fn stopless(why: Sentence) -> Sentence {
    match why.strip_suffix('.') {
        Some(bare) => bare.into(),
        None => why,
    }
}

/// One line that leaves room for the reason beside it.
fn shortened(why: &str) -> String {
    let why = why.trim_end_matches('.').replace('\n', " ");
    match why.char_indices().nth(LONGEST_WHY) {
        Some((end, _)) => format!("{} ...", why.get(..end).unwrap_or_default()),
        None => why,
    }
}
