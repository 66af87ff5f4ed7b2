//! Addresses as QR codes, for the terminal and for a page.

use fast_qr::{QRBuilder, QRCode};

/// Quiet modules around a code; ISO/IEC 18004 asks for four, from memory.
const QUIET: usize = 4;

/// A QR code from half blocks, dark on light, one line of text for two rows; `None` when the
/// text is too long for a code.
pub fn terminal_qr(text: &str) -> Option<String> {
    let code = QRBuilder::new(text).build().ok()?;
    let side = code.size + 2 * QUIET;
    let mut out = String::new();
    for row in (0..side).step_by(2) {
        for column in 0..side {
            // Terminals are mostly dark, so the light modules are drawn.
            let (upper, lower) = (dark(&code, row, column), dark(&code, row + 1, column));
            out.push(match (upper, lower) {
                (false, false) => '█',
                (false, true) => '▀',
                (true, false) => '▄',
                (true, true) => ' ',
            });
        }
        out.push('\n');
    }
    Some(out)
}

/// Path data and side [modules] of a code for an SVG picture.
pub(crate) fn qr_path(text: &str) -> Option<(String, usize)> {
    let code = QRBuilder::new(text).build().ok()?;
    let side = code.size + 2 * QUIET;
    let mut path = String::new();
    for row in 0..side {
        for column in 0..side {
            if dark(&code, row, column) {
                path.push_str(&format!("M{column} {row}h1v1h-1z"));
            }
        }
    }
    Some((path, side))
}

fn dark(code: &QRCode, row: usize, column: usize) -> bool {
    let inside = |v: usize| v.checked_sub(QUIET).filter(|v| *v < code.size);
    match (inside(row), inside(column)) {
        (Some(row), Some(column)) => code[row][column].value(),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_has_its_three_corners_and_a_quiet_edge() {
        let text = terminal_qr("http://192.0.2.1:8087/pair?code=ABCD-2345").unwrap();
        let rows: Vec<Vec<char>> = text.lines().map(|l| l.chars().collect()).collect();
        assert!(rows.iter().all(|r| r.len() == rows[0].len()));
        assert!(rows[0].iter().all(|c| *c == '█') && rows[1].iter().all(|c| *c == '█'));
        // The finder pattern's top edge is seven dark modules.
        assert_eq!(
            rows[2][QUIET..QUIET + 8].iter().collect::<String>(),
            " ▄▄▄▄▄ █"
        );
        let (path, side) = qr_path("x").unwrap();
        assert_eq!(side, 21 + 2 * QUIET);
        assert!(path.starts_with("M4 4h1"));
    }
}
