//! The printed form: archivable (PDF/A-2a), tagged for readers' aids (PDF/UA-1), fonts inside.
//!
//! The template reads the document as data; no text of a document is ever read as markup. Nothing is
//! opened: fonts and template are part of the program, the time is handed in.

use typst::foundations::{Datetime, Smart};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp, pdf};

use super::letters;
use super::model::{Block, Document, Paper};
use world::Desk;

mod world;

pub(crate) use world::can_draw;

/// A document could not be set; a fault of the program.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the document could not be set: {problems}")]
pub struct SetError {
    /// What the typesetter says.
    pub problems: String,
}

/// A document as a PDF file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Printed {
    /// The file.
    pub bytes: Vec<u8>,
    /// Sheets.
    pub pages: usize,
}

/// Sets a document on sheets of `paper`.
///
/// Letters that no font of the program has are shown as ▯ and a line at the end says so.
///
/// # Errors
/// [`SetError`], which is a fault of the program.
pub fn printed(document: &Document, paper: Paper) -> Result<Printed, SetError> {
    let mut document = document.clone();
    letters::make_printable(&mut document);
    let files = name_files(&mut document);
    let data = serde_json::to_vec(&document).map_err(|e| failed([e.to_string()]))?;
    let desk = Desk::new(data, files, paper);
    let set: PagedDocument = typst::compile(&desk).output.map_err(|errors| {
        failed(
            errors
                .iter()
                .map(|e| format!("{}{}", e.message, hints(&e.hints))),
        )
    })?;
    let standards = PdfStandards::new(&[PdfStandard::A_2a, PdfStandard::Ua_1])
        .map_err(|e| failed([e.message().to_string()]))?;
    let options = PdfOptions {
        ident: Smart::Custom(document.ident.clone()),
        creator: Smart::Custom(Some("Evenpull".to_owned())),
        timestamp: timestamp(&document),
        standards,
        ..PdfOptions::default()
    };
    let bytes = pdf(&set, &options).map_err(|errors| {
        failed(
            errors
                .iter()
                .map(|e| format!("{}{}", e.message, hints(&e.hints))),
        )
    })?;
    // The typesetter remembers what it did; a server would keep every document it ever made.
    typst::comemo::evict(0);
    Ok(Printed {
        pages: set.pages().len(),
        bytes,
    })
}

fn hints<T: std::fmt::Debug>(hints: &[T]) -> String {
    if hints.is_empty() {
        String::new()
    } else {
        format!(" ({hints:?})")
    }
}

fn failed(problems: impl IntoIterator<Item = String>) -> SetError {
    SetError {
        problems: problems.into_iter().collect::<Vec<_>>().join("; "),
    }
}

fn timestamp(document: &Document) -> Option<Timestamp> {
    let t = document.written;
    let time = Datetime::from_ymd_hms(t.year, t.month, t.day, t.hour, t.minute, 0)?;
    Timestamp::new_local(time, t.offset_minutes)
}

/// Gives pictures and photos the names the template asks for.
fn name_files(document: &mut Document) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::new();
    for block in document.sections.iter_mut().flat_map(|s| &mut s.blocks) {
        match block {
            Block::Picture { svg, file, .. } => {
                *file = format!("picture-{}.svg", files.len() + 1);
                files.push((file.clone(), std::mem::take(svg).into_bytes()));
            }
            Block::Photos { photos } => {
                for photo in photos {
                    photo.file = format!("photo-{}.jpg", files.len() + 1);
                    files.push((photo.file.clone(), std::mem::take(&mut photo.jpeg)));
                }
            }
            _ => {}
        }
    }
    files
}
