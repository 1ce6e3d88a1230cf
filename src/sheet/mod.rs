//! The batch sheet: what one batch log says, as one HTML file to print, complete by hand and sign.
//!
//! Pure: rows in, text out. `record` sorts the rows, `page` writes the sections, `label` the labels of a batch, `card` one formula, `picture` draws
//! the deviation bars and the fill chart, `budget` what U is made of, `said` puts it into a language. No script and nothing from elsewhere: the file's own
//! Content-Security-Policy forbids both.
//!
//! Points of a batch record after ISO 22716:2007, 7.2, and 21 CFR 211.188 (a rule for medicines, taken as
//! a model). What a log cannot know has a place to be written by hand, and is never filled in.

mod budget;
mod card;
mod fill;
mod label;
mod page;
mod picture;
mod record;
mod said;
mod weighed;

pub use card::{CardGrams, card};
pub use label::labels;
pub use page::html;
pub use record::SheetRecord;
