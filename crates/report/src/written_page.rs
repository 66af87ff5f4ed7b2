//! A page whose texts carry their figures as the shop writes them.

use crate::writing::Writing;

/// Elements whose text is left as it is: what people typed (set apart by `bdi`), names of codes, the style.
const LEFT_ALONE: [&str; 4] = ["bdi", "code", "style", "title"];

/// The page with every sentence and figure between its tags in the shop's writing.
///
/// Tags, with the places of everything drawn in them, stay as they are. `html` is well-formed and its
/// figures have decimal points; pressures are told in kilopascals or have no unit behind them.
pub(crate) fn as_written(html: &str, writing: Writing) -> String {
    if writing == Writing::default() {
        return html.to_owned();
    }
    let mut out = String::with_capacity(html.len());
    let mut open = 0_usize;
    let mut rest = html;
    while !rest.is_empty() {
        let (text, after) = rest.split_at(rest.find('<').unwrap_or(rest.len()));
        match open {
            0 => out.push_str(&writing.sentence(text)),
            _ => out.push_str(text),
        }
        let (tag, after) = after.split_at(after.find('>').map_or(after.len(), |end| end + 1));
        let closes = tag.starts_with("</");
        let name = tag.trim_start_matches(['<', '/']);
        let name = &name[..name.find([' ', '>', '/', '\n']).unwrap_or(name.len())];
        if LEFT_ALONE.contains(&name) && !tag.ends_with("/>") {
            open = if closes {
                open.saturating_sub(1)
            } else {
                open + 1
            };
        }
        out.push_str(tag);
        rest = after;
    }
    out
}

#[cfg(test)]
mod tests {
    use evenpull_job::PressureUnit;

    use super::*;

    #[test]
    fn texts_change_and_tags_and_names_do_not() {
        let writing = Writing {
            comma: true,
            pressure: PressureUnit::Mbar,
        };
        let html = "<p class=\"a1.5\"><bdi>Wren 1.5 kPa</bdi> stands 1.5 kPa off at 0.25 mm²</p>\
                    <line x1=\"1.5\"/>";
        let expected = "<p class=\"a1.5\"><bdi>Wren 1.5 kPa</bdi> stands 15 mbar off at 0,25 mm²</p>\
                        <line x1=\"1.5\"/>";
        assert_eq!(as_written(html, writing), expected);
        assert_eq!(as_written(html, Writing::default()), html);
    }
}
