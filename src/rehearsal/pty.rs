//! A stage on real ptys in real time: the other end is the daemon's own serial code.

use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio::sync::mpsc::{UnboundedReceiver, UnboundedSender};
use tokio::time::Instant;

use super::stage::{Stage, StageOutput};
use crate::time::Moment;
use crate::vocabulary::command::Command;
use crate::weighing::event::Event;

/// One end of a simulated serial line: a pty whose slave is raw, behind a symlink that stays the
/// same over unplug and replug, as `/dev/serial/by-id/` does.
#[derive(Debug)]
pub struct PtyLine {
    link: PathBuf,
    ends: Option<Ends>,
}

#[derive(Debug)]
struct Ends {
    master: OwnedFd,
    /// Held open: with no slave at all the master reads EIO, and a closed slave forgets raw mode.
    _slave: OwnedFd,
}

impl PtyLine {
    /// Opens a pty and makes `link` point to its slave. `link` must not exist.
    ///
    /// # Errors
    /// When no pty can be had, or the link cannot be made.
    pub fn open(link: PathBuf) -> io::Result<PtyLine> {
        let mut line = PtyLine { link, ends: None };
        line.replug()?;
        Ok(line)
    }

    /// The path to open, the same at all times.
    pub fn path(&self) -> &Path {
        &self.link
    }

    pub fn is_plugged(&self) -> bool {
        self.ends.is_some()
    }

    /// Pulls the plug: who reads the other end sees a hang-up, and the path is gone.
    pub fn unplug(&mut self) {
        if self.ends.take().is_some() {
            // A link that somebody else removed is as gone as it should be.
            let _ = std::fs::remove_file(&self.link);
        }
    }

    /// Plugs it in again; a plugged line is left as it is.
    ///
    /// # Errors
    /// As [`PtyLine::open`].
    pub fn replug(&mut self) -> io::Result<()> {
        if self.ends.is_some() {
            return Ok(());
        }
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let slave = rustix::fs::open(&name, flags, Mode::empty())?;
        let mut termios = tcgetattr(&slave)?;
        termios.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &termios)?;
        rustix::fs::fcntl_setfl(
            &master,
            rustix::fs::fcntl_getfl(&master)? | OFlags::NONBLOCK,
        )?;
        rustix::fs::symlink(&name, &self.link)?;
        self.ends = Some(Ends {
            master,
            _slave: slave,
        });
        Ok(())
    }

    /// Writes what fits; like a real scale it does not wait for a reader. Returns how much went in.
    pub fn write(&self, bytes: &[u8]) -> usize {
        let Some(ends) = &self.ends else { return 0 };
        rustix::io::write(&ends.master, bytes).unwrap_or(0)
    }

    /// Reads what the other end sent, without waiting; 0 when there is nothing.
    pub fn read(&self, buffer: &mut [u8]) -> usize {
        let Some(ends) = &self.ends else { return 0 };
        rustix::io::read(&ends.master, buffer).unwrap_or(0)
    }
}

impl Drop for PtyLine {
    fn drop(&mut self) {
        self.unplug();
    }
}

/// The lines of a stage in a private folder that goes away with them.
#[derive(Debug)]
pub struct PtyLines {
    folder: PathBuf,
    lines: Vec<PtyLine>,
}

impl PtyLines {
    /// Opens `count` lines under the system's folder for temporary files.
    ///
    /// # Errors
    /// When the folder or a pty cannot be had.
    pub fn open(count: usize) -> io::Result<PtyLines> {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let name = format!(
            "bismar-rehearsal-{}-{}",
            std::process::id(),
            NEXT.fetch_add(1, Ordering::Relaxed)
        );
        PtyLines::open_in(std::env::temp_dir().join(name), count)
    }

    /// As [`PtyLines::open`], in `folder`, which is made for it.
    ///
    /// # Errors
    /// As [`PtyLines::open`].
    pub fn open_in(folder: PathBuf, count: usize) -> io::Result<PtyLines> {
        std::os::unix::fs::DirBuilderExt::mode(&mut std::fs::DirBuilder::new(), 0o700)
            .create(&folder)?;
        let mut lines = PtyLines {
            folder,
            lines: Vec::new(),
        };
        for index in 0..count {
            let link = lines.folder.join(format!("scale-{index}"));
            lines.lines.push(PtyLine::open(link)?);
        }
        Ok(lines)
    }

    /// The path of each line, in the order of the scales.
    pub fn paths(&self) -> Vec<PathBuf> {
        self.lines.iter().map(|line| line.link.clone()).collect()
    }

    fn line(&mut self, index: usize) -> Option<&mut PtyLine> {
        self.lines.get_mut(index)
    }
}

impl Drop for PtyLines {
    fn drop(&mut self) {
        self.lines.clear();
        let _ = std::fs::remove_dir(&self.folder);
    }
}

/// Runs `stage` on `lines`, `speed` times as fast as real time, until the hands leave. What bismar
/// says comes in through `events`; the person's words go out through `commands`; what the hands do
/// is told to `told`. Returns the stage, for its truth, and the lines: dropping them is a hang-up, and
/// what the other end has not read by then is lost.
///
/// # Errors
/// When a pty cannot be had again after an unplug.
pub async fn run(
    mut stage: Stage,
    mut lines: PtyLines,
    speed: f64,
    mut events: UnboundedReceiver<Event>,
    commands: UnboundedSender<Command>,
    mut told: impl FnMut(Moment, &str),
) -> io::Result<(Stage, PtyLines)> {
    let speed = if speed.is_finite() && speed > 0.0 {
        speed
    } else {
        1.0
    };
    let began = Instant::now();
    let mut listening = true;
    let mut buffer = [0u8; 256];
    while let Some(output) = stage.next() {
        let due = began + Duration::from_secs_f64(output.at().seconds() / speed);
        while Instant::now() < due {
            tokio::select! {
                event = events.recv(), if listening => match event {
                    Some(event) => stage.hear(&event),
                    None => listening = false,
                },
                () = tokio::time::sleep_until(due) => {}
            }
        }
        match output {
            StageOutput::Bytes { scale, bytes, .. } => {
                if let Some(line) = lines.line(scale) {
                    line.write(&bytes);
                }
            }
            StageOutput::Lost { scale, .. } => {
                if let Some(line) = lines.line(scale) {
                    line.unplug();
                }
            }
            StageOutput::Back { scale, .. } => {
                if let Some(line) = lines.line(scale) {
                    line.replug()?;
                }
            }
            // A closed channel means that nobody takes words any more; the scale goes on.
            StageOutput::Command { command, .. } => drop(commands.send(command)),
            StageOutput::Hands { at, text } => told(at, &text),
            StageOutput::Quiet { .. } => {}
        }
        while let Ok(event) = events.try_recv() {
            stage.hear(&event);
        }
        for (scale, line) in lines.lines.iter().enumerate() {
            let count = line.read(&mut buffer);
            if let Some(bytes) = buffer.get(..count).filter(|bytes| !bytes.is_empty()) {
                stage.receive(scale, bytes);
            }
        }
    }
    Ok((stage, lines))
}
