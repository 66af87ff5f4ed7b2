//! Which line and mark belongs to which body.

use crate::canvas::{Canvas, SERIES, shortened};

/// Latin letters that fit the head of a column.
const COLUMN_ROOM: usize = 24;

/// One entry of the key beside the pictures.
#[derive(Debug)]
pub(crate) struct LegendEntry {
    /// Line and mark, ready to put on the page.
    pub(crate) glyph: String,
    /// Body.
    pub(crate) body: String,
    /// The same cut to fit the head of a column.
    pub(crate) short: String,
}

/// The key for all bodies in the profile's order.
pub(crate) fn legend(bodies: &[String]) -> Vec<LegendEntry> {
    bodies
        .iter()
        .enumerate()
        .map(|(i, body)| LegendEntry {
            glyph: glyph(i),
            body: shown(bodies, body),
            short: shortened(&shown(bodies, body), COLUMN_ROOM),
        })
        .collect()
}

/// Style number of a body; a name the profile does not know comes after the known ones.
pub(crate) fn series_of(bodies: &[String], body: &str) -> usize {
    bodies
        .iter()
        .position(|b| b == body)
        .unwrap_or(bodies.len())
}

/// The name of a body; its number where the name is blank.
pub(crate) fn shown(bodies: &[String], body: &str) -> String {
    if body.trim().is_empty() {
        format!("body {}", series_of(bodies, body) + 1)
    } else {
        body.to_owned()
    }
}

/// Line and mark of one body, small, for use beside its name.
pub(crate) fn glyph(series: usize) -> String {
    let mut canvas = Canvas::glyph(56.0, 20.0);
    let class = format!("s{} trace", series % SERIES);
    canvas.line((2.0, 10.0), (54.0, 10.0), &class);
    canvas.mark(series, (28.0, 10.0), 5.5);
    canvas.finish()
}
