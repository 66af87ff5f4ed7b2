//! Pictures made to stand by themselves, in greys.

/// Style of every picture in a document.
pub(crate) const PICTURE_STYLE: &str = include_str!("../../templates/picture.css");

/// A drawing of this crate as a file that needs nothing beside itself.
pub(crate) fn standing_alone(drawing: &str) -> String {
    let Some((head, body)) = drawing.split_once('>') else {
        return String::new();
    };
    let head = head.replacen(
        "<svg ",
        "<svg xmlns=\"http://www.w3.org/2000/svg\" font-family=\"DejaVu Sans, sans-serif\" ",
        1,
    );
    format!("{head}><style>{PICTURE_STYLE}</style>{body}")
}
