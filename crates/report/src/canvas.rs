//! A small writer of inline pictures (SVG).
//!
//! Every picture carries a title and a description, ids that derive from its own, and takes its
//! colours from the page's style classes so that it follows light, dark and paper. Nothing with a
//! coordinate that is not finite is written.

use std::fmt::Write as _;

use crate::scale::Scale;
use crate::writing::Writing;

/// Styles of the bodies repeat after this many.
pub(crate) const SERIES: usize = 8;

/// Where a text is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// A picture being drawn; coordinates in picture units, y downwards.
#[derive(Debug)]
pub(crate) struct Canvas {
    out: String,
    writing: Writing,
}

impl Canvas {
    /// Starts a picture; `id` must be unique on the page.
    pub(crate) fn new(id: &str, title: &str, desc: &str, width: f64, height: f64) -> Self {
        let mut out = String::new();
        let _ = write!(
            out,
            "<svg id=\"{id}\" class=\"pic\" role=\"img\" aria-labelledby=\"{id}-t\" \
             aria-describedby=\"{id}-d\" viewBox=\"0 0 {} {}\"><title id=\"{id}-t\">{}</title>\
             <desc id=\"{id}-d\">{}</desc>",
            coordinate(width),
            coordinate(height),
            escaped(title),
            escaped(desc)
        );
        Self {
            out,
            writing: Writing::default(),
        }
    }

    /// A picture that only repeats what text beside it says, hidden from assistive technology.
    pub(crate) fn glyph(width: f64, height: f64) -> Self {
        let (w, h) = (coordinate(width), coordinate(height));
        Self {
            out: format!(
                "<svg class=\"glyph\" aria-hidden=\"true\" focusable=\"false\" width=\"{w}\" \
                 height=\"{h}\" viewBox=\"0 0 {w} {h}\">"
            ),
            writing: Writing::default(),
        }
    }

    /// The picture with its figures as the shop writes them.
    pub(crate) fn written(self, writing: Writing) -> Self {
        Self { writing, ..self }
    }

    /// A figure as this picture writes them.
    pub(crate) fn figure(&self, value: f64, decimals: usize) -> String {
        self.writing.figure(value, decimals)
    }

    pub(crate) fn finish(mut self) -> String {
        self.out.push_str("</svg>");
        self.out
    }

    pub(crate) fn line(&mut self, from: (f64, f64), to: (f64, f64), class: &str) {
        if finite(&[from, to]) {
            let _ = write!(
                self.out,
                "<line class=\"{class}\" x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\"/>",
                coordinate(from.0),
                coordinate(from.1),
                coordinate(to.0),
                coordinate(to.1)
            );
        }
    }

    /// A rectangle between two opposite corners.
    pub(crate) fn rect(&mut self, a: (f64, f64), b: (f64, f64), class: &str) {
        if finite(&[a, b]) {
            let _ = write!(
                self.out,
                "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
                coordinate(a.0.min(b.0)),
                coordinate(a.1.min(b.1)),
                coordinate((a.0 - b.0).abs()),
                coordinate((a.1 - b.1).abs())
            );
        }
    }

    pub(crate) fn circle(&mut self, centre: (f64, f64), radius: f64, class: &str) {
        if finite(&[centre, (radius, 0.0)]) {
            let _ = write!(
                self.out,
                "<circle class=\"{class}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
                coordinate(centre.0),
                coordinate(centre.1),
                coordinate(radius)
            );
        }
    }

    /// An open line through the points; needs two or more.
    pub(crate) fn trace(&mut self, points: &[(f64, f64)], class: &str) {
        self.poly("polyline", points, 2, class);
    }

    /// A closed shape; needs three or more points.
    pub(crate) fn shape(&mut self, points: &[(f64, f64)], class: &str) {
        self.poly("polygon", points, 3, class);
    }

    pub(crate) fn text(&mut self, at: (f64, f64), anchor: Anchor, class: &str, text: &str) {
        if finite(&[at]) {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            let _ = write!(
                self.out,
                "<text class=\"{class}\" x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\">{}</text>",
                coordinate(at.0),
                coordinate(at.1),
                escaped(text)
            );
        }
    }

    /// Level lines across a plot at round values of `y`, about so many, with their figures.
    pub(crate) fn levels(&mut self, y: &Scale, about: usize, left: f64, right: f64) {
        let (levels, decimals) = y.ticks(about);
        for level in levels {
            if let Some(at) = y.at(level) {
                self.line((left, at), (right, at), "grid");
                let figure = self.figure(level, decimals);
                self.text((left - 5.0, at + 4.0), Anchor::End, "tick", &figure);
            }
        }
    }

    /// The mark of body number `series`: a shape of its own as well as a colour of its own.
    pub(crate) fn mark(&mut self, series: usize, at: (f64, f64), size: f64) {
        let series = series % SERIES;
        let class = format!("s{series} mark");
        let around = |corners: &[(f64, f64)]| -> Vec<(f64, f64)> {
            corners
                .iter()
                .map(|&(x, y)| (at.0 + size * x, at.1 + size * y))
                .collect()
        };
        match series {
            0 => self.circle(at, size, &class),
            1 => self.rect(
                (at.0 - 0.9 * size, at.1 - 0.9 * size),
                (at.0 + 0.9 * size, at.1 + 0.9 * size),
                &class,
            ),
            2 => self.shape(&around(&[(0.0, -1.15), (1.1, 0.85), (-1.1, 0.85)]), &class),
            3 => self.shape(
                &around(&[(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)]),
                &class,
            ),
            4 => self.shape(&around(&[(0.0, 1.15), (1.1, -0.85), (-1.1, -0.85)]), &class),
            5 => self.rect(
                (at.0 - 0.45 * size, at.1 - 1.3 * size),
                (at.0 + 0.45 * size, at.1 + 1.3 * size),
                &class,
            ),
            6 => self.rect(
                (at.0 - 1.3 * size, at.1 - 0.45 * size),
                (at.0 + 1.3 * size, at.1 + 0.45 * size),
                &class,
            ),
            _ => self.shape(
                &around(&[
                    (-1.0, -1.0),
                    (0.0, -0.4),
                    (1.0, -1.0),
                    (1.0, 1.0),
                    (0.0, 0.4),
                    (-1.0, 1.0),
                ]),
                &class,
            ),
        }
    }

    fn poly(&mut self, element: &str, points: &[(f64, f64)], least: usize, class: &str) {
        if points.len() < least || !finite(points) {
            return;
        }
        let _ = write!(self.out, "<{element} class=\"{class}\" points=\"");
        for (i, &(x, y)) in points.iter().enumerate() {
            let gap = if i == 0 { "" } else { " " };
            let _ = write!(self.out, "{gap}{},{}", coordinate(x), coordinate(y));
        }
        self.out.push_str("\"/>");
    }
}

/// Text cut to what fits about `room` Latin letters; wide scripts count double.
pub(crate) fn shortened(text: &str, room: usize) -> String {
    let width = |c: char| if (c as u32) < 0x1100 { 1 } else { 2 };
    if text.chars().map(width).sum::<usize>() <= room {
        return text.to_owned();
    }
    let mut used = 1;
    let mut out: String = text
        .chars()
        .take_while(|&c| {
            used += width(c);
            used <= room
        })
        .collect();
    out.push('…');
    out
}

/// Text made safe between tags and inside quoted attributes, in HTML and XML alike.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&#38;"),
            '<' => out.push_str("&#60;"),
            '>' => out.push_str("&#62;"),
            '"' => out.push_str("&#34;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

fn finite(points: &[(f64, f64)]) -> bool {
    points.iter().all(|(x, y)| x.is_finite() && y.is_finite())
}

/// A coordinate with at most one decimal: a tenth of a unit is below a screen pixel.
fn coordinate(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_is_not_finite_is_written() {
        let mut c = Canvas::new("a", "t", "d", 10.0, 10.0);
        let before = c.out.clone();
        c.line((f64::NAN, 0.0), (1.0, 1.0), "x");
        c.circle((0.0, 0.0), f64::INFINITY, "x");
        c.trace(&[(0.0, 0.0), (1.0, f64::NAN)], "x");
        c.text((0.0, f64::NAN), Anchor::Start, "x", "y");
        for series in 0..9 {
            c.mark(series, (f64::NAN, 1.0), 4.0);
        }
        assert_eq!(c.out, before);
    }

    #[test]
    fn wide_scripts_are_cut_earlier() {
        assert_eq!(shortened("idle", 10), "idle");
        assert_eq!(shortened("0123456789ab", 10), "012345678…");
        assert_eq!(shortened("左右左右左右", 10), "左右左右…");
    }
}
