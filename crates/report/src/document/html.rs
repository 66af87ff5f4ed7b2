//! The served form: one page that needs nothing beside itself, from the same model as the sheets.

use askama::Template;

use super::base64::encoded;
use super::model::{Block, Document, Paper};
use super::picture::PICTURE_STYLE;

#[derive(Debug, Template)]
#[template(path = "document.html")]
struct Page<'a> {
    doc: &'a Document,
    style: &'static str,
    picture_style: &'static str,
    sheet: &'static str,
}

/// Writes a document as one self-contained page (HTML that is also well-formed XML).
///
/// Every text is escaped; no script, nothing asked of a network. Printed from a browser it takes
/// sheets of `paper`.
pub fn html(document: &Document, paper: Paper) -> String {
    let page = Page {
        doc: document,
        style: include_str!("../../templates/document.css"),
        picture_style: PICTURE_STYLE,
        sheet: match paper {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
        },
    };
    let html = page
        .render()
        .expect("the template has no fallible part and writing to a string cannot fail");
    crate::page::without_controls(html)
}

/// A drawing as it stands in the page: the page has its style already.
fn inline(svg: &str) -> String {
    svg.replacen(&format!("<style>{PICTURE_STYLE}</style>"), "", 1)
}

/// A photo inside the page.
fn data_address(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", encoded(jpeg))
}
