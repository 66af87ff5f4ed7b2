//! Reads a PDF file back with a library that has no part in writing it.

use hayro_interpret::font::Glyph;
use hayro_interpret::hayro_cmap::BfString;
use hayro_interpret::hayro_syntax::Pdf;
use hayro_interpret::hayro_syntax::page::Page;
use hayro_interpret::{
    BlendMode, ClipPath, Context, Device, GlyphDrawMode, Image, InterpreterCache,
    InterpreterSettings, Paint, PathDrawMode, SoftMask, interpret_page,
};
use kurbo::{Affine, BezPath, Rect};

/// A letter as it stands on the sheet, in points from the upper left corner.
#[derive(Debug, Clone)]
pub(crate) struct Letter {
    pub(crate) text: String,
    pub(crate) x: f64,
    pub(crate) y: f64,
}

/// One sheet as read.
#[derive(Debug, Default)]
pub(crate) struct Sheet {
    pub(crate) width: f64,
    pub(crate) height: f64,
    pub(crate) letters: Vec<Letter>,
    pub(crate) images: usize,
}

impl Sheet {
    /// The text in the order it was written.
    pub(crate) fn text(&self) -> String {
        self.letters.iter().map(|l| l.text.as_str()).collect()
    }
}

impl Device<'_> for Sheet {
    fn set_soft_mask(&mut self, _: Option<SoftMask<'_>>) {}
    fn set_blend_mode(&mut self, _: BlendMode) {}
    fn draw_path(&mut self, _: &BezPath, _: Affine, _: &Paint<'_>, _: &PathDrawMode) {}
    fn push_clip_path(&mut self, _: &ClipPath) {}
    fn push_transparency_group(&mut self, _: f32, _: Option<SoftMask<'_>>, _: BlendMode) {}
    fn draw_glyph(
        &mut self,
        glyph: &Glyph<'_>,
        transform: Affine,
        glyph_transform: Affine,
        _: &Paint<'_>,
        _: &GlyphDrawMode,
    ) {
        let text = match glyph.as_unicode() {
            Some(BfString::Char(c)) => c.to_string(),
            Some(BfString::String(s)) => s,
            None => "\u{FFFD}".to_owned(),
        };
        let at = (transform * glyph_transform).translation();
        self.letters.push(Letter {
            text,
            x: at.x,
            y: at.y,
        });
    }
    fn draw_image(&mut self, _: Image<'_, '_>, _: Affine) {
        self.images += 1;
    }
    fn pop_clip_path(&mut self) {}
    fn pop_transparency_group(&mut self) {}
}

/// Every sheet of a file.
pub(crate) fn sheets(pdf: &[u8]) -> Vec<Sheet> {
    let pdf = Pdf::new(pdf.to_vec()).unwrap_or_else(|_| panic!("cannot be read as a PDF file"));
    let cache = InterpreterCache::new();
    let pages = pdf.pages().iter();
    pages.map(|page| sheet(page, &cache, &pdf)).collect()
}

fn sheet<'a>(page: &'a Page<'a>, cache: &InterpreterCache<'a>, pdf: &'a Pdf) -> Sheet {
    let (width, height) = page.render_dimensions();
    let mut sheet = Sheet {
        width: f64::from(width),
        height: f64::from(height),
        ..Sheet::default()
    };
    let bounds = Rect::new(0.0, 0.0, sheet.width, sheet.height);
    let flipped = Affine::new([1.0, 0.0, 0.0, -1.0, 0.0, sheet.height]);
    let settings = InterpreterSettings::default();
    let mut context = Context::new(flipped, bounds, cache, pdf.xref(), settings);
    interpret_page(page, &mut context, &mut sheet);
    sheet
}
