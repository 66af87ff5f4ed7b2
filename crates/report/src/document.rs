//! The documents of the trade, from one model: printed (PDF) and served (HTML).

mod base64;
mod before_after;
mod consequence;
mod estimate;
mod handover;
mod html;
mod inspection;
mod job_card;
mod letters;
mod model;
mod paper;
mod pdf;
mod photo;
mod picture;
mod shared;
mod sources;
mod sweep;
mod texts;
mod why_sealed;
mod years;

pub use before_after::{Pair, Seen, TurnedAmong, pairs_of, seen};
pub use estimate::{LineChoice, PricedLine, Rates, estimate};
pub use handover::handover;
pub use html::html;
pub use inspection::inspection;
pub use job_card::job_card;
pub use model::{Block, CivilTime, Column, Document, DocumentKind, Paper, Photo, Section};
pub use paper::{
    JobPaper, PaperPhoto, PaperRecord, PaperRemark, PaperYears, ReadingSource, RemarkTopic, Stamp,
};
pub use pdf::{Printed, SetError, printed};
pub use photo::small_photo;
pub use texts::{DocumentTextError, DocumentTexts};
pub use why_sealed::{TurnedStop, why_sealed};
