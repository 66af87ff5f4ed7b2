//! What the typesetter may see: one template, one document, its pictures, two fonts.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use typst::diag::{FileError, FileResult};
use typst::foundations::{Bytes, Datetime, Dict, Duration, IntoValue};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};

use crate::document::model::Paper;

const TEMPLATE: &str = include_str!("../../../templates/document.typ");
const REGULAR: &[u8] = include_bytes!("../../../fonts/DejaVuSansCondensed.ttf");
const BOLD: &[u8] = include_bytes!("../../../fonts/DejaVuSansCondensed-Bold.ttf");

/// The fonts of the program, read once.
struct Fonts {
    fonts: Vec<Font>,
    book: LazyHash<FontBook>,
}

static FONTS: LazyLock<Fonts> = LazyLock::new(|| {
    let fonts: Vec<Font> = [REGULAR, BOLD]
        .into_iter()
        .flat_map(|data| Font::iter(Bytes::new(data)))
        .collect();
    let book = LazyHash::new(FontBook::from_fonts(&fonts));
    Fonts { fonts, book }
});

/// True if every font of the program draws the letter.
pub(crate) fn can_draw(letter: char) -> bool {
    let fonts = &FONTS.fonts;
    fonts
        .iter()
        .all(|f| f.info().coverage.contains(letter as u32))
}

/// The typesetter's whole world for one document.
pub(super) struct Desk {
    library: LazyHash<Library>,
    main: Source,
    files: BTreeMap<String, Bytes>,
}

impl Desk {
    pub(super) fn new(data: Vec<u8>, files: Vec<(String, Vec<u8>)>, paper: Paper) -> Self {
        let mut inputs = Dict::new();
        inputs.insert("paper".into(), paper.name().into_value());
        let mut files: BTreeMap<String, Bytes> = files
            .into_iter()
            .map(|(name, bytes)| (name, Bytes::new(bytes)))
            .collect();
        files.insert("document.json".to_owned(), Bytes::new(data));
        let path = VirtualPath::new("document.typ").expect("a plain name is a path");
        let main = RootedPath::new(VirtualRoot::Project, path).intern();
        Self {
            library: LazyHash::new(Library::builder().with_inputs(inputs).build()),
            main: Source::new(main, TEMPLATE.to_owned()),
            files,
        }
    }
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &FONTS.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.main.id() {
            Ok(self.main.clone())
        } else {
            Err(not_here(id))
        }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let name = id.vpath().get_without_slash();
        self.files.get(name).cloned().ok_or_else(|| not_here(id))
    }

    fn font(&self, index: usize) -> Option<Font> {
        FONTS.fonts.get(index).cloned()
    }

    /// No clock: the date of a document is handed in.
    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}

fn not_here(id: FileId) -> FileError {
    FileError::NotFound(id.vpath().get_without_slash().into())
}
