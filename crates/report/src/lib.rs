//! The written answer: one self-contained page with its own pictures.
//!
//! No file is opened and no clock is read here: the caller hands in an
//! [`Assessment`](evenpull_diagnose::Assessment) and writes the text where it likes.
//! The page asks nothing of a network, runs no script, and is well-formed as XML too.

mod area;
mod baseline;
mod bodies;
mod canvas;
mod causes;
mod cycle_plot;
mod depression;
mod document;
mod legend;
mod mixture;
mod mixture_plot;
mod number;
mod page;
mod recordings;
mod row_plot;
mod scale;
mod screw;
mod steps;
mod texts;
mod turn;
mod verdict;
mod wording;
mod writing;
mod written_page;
mod years_plot;

pub use document::{
    Block, CivilTime, Column, Document, DocumentKind, DocumentTextError, DocumentTexts, JobPaper,
    LineChoice, Pair, Paper, PaperPhoto, PaperRecord, PaperRemark, PaperYears, Photo, PricedLine,
    Printed, Rates, ReadingSource, RemarkTopic, Section, Seen, SetError, Stamp, TurnedAmong,
    TurnedStop, estimate, handover, html, inspection, job_card, pairs_of, printed, seen,
    small_photo, why_sealed,
};
pub use page::{Meta, STYLE, page};
pub use texts::{TextTableError, filled_text, text_table};
pub use turn::fraction as turn_fraction;
pub use verdict::{Verdict, held_words, verdict};
pub use wording::{cause_headline, cause_name, chance, lowered};
pub use writing::{GAUGE_UNITS, Writing};
pub use years_plot::{years_picture, years_title};
