//! A document before it is set: one model for the printed and the served form, so both say the same.

use serde::Serialize;

/// Sheet of a printed document.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// 210 mm x 297 mm.
    #[default]
    A4,
    /// 8.5 in x 11 in.
    Letter,
}

impl Paper {
    /// Name of the sheet in the template.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::A4 => "a4",
            Self::Letter => "us-letter",
        }
    }
}

/// The documents there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum DocumentKind {
    /// What was asked, found, done and measured, for the owner.
    Handover,
    /// State of a machine that is to be bought or sold.
    Inspection,
    /// Sheet to fill in by hand at the bench.
    JobCard,
    /// What the work will cost, at the shop's own rates.
    Estimate,
    /// One page for owners: why sealed parts stay sealed.
    WhySealed,
}

impl DocumentKind {
    /// All of them, in the order of a list.
    pub const ALL: [Self; 5] = [
        Self::Handover,
        Self::Inspection,
        Self::JobCard,
        Self::Estimate,
        Self::WhySealed,
    ];

    /// The word used in commands, addresses and records.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Handover => "handover",
            Self::Inspection => "inspection",
            Self::JobCard => "job-card",
            Self::Estimate => "estimate",
            Self::WhySealed => "why-sealed",
        }
    }

    /// The document of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == word)
    }
}

/// A document, ready to be set. Texts are plain: nothing in them is markup.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Document {
    /// Title.
    pub title: String,
    /// Who hands it out; empty where the shop gave no name.
    pub shop: String,
    /// Language of its texts, such as `en`.
    pub lang: String,
    /// Facts under the title: label and value.
    pub head: Vec<(String, String)>,
    /// Sections in order.
    pub sections: Vec<Section>,
    /// What stands at the foot of every sheet.
    pub foot: String,
    /// When it was written.
    #[serde(skip)]
    pub written: CivilTime,
    /// What tells this document from any other, the same for the same content.
    #[serde(skip)]
    pub ident: String,
}

/// A date and time of day as the shop's clock shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CivilTime {
    /// Year.
    pub year: i32,
    /// Month, 1 to 12.
    pub month: u8,
    /// Day of the month, 1 to 31.
    pub day: u8,
    /// Hour, 0 to 23.
    pub hour: u8,
    /// Minute.
    pub minute: u8,
    /// Minutes ahead of UTC.
    pub offset_minutes: i32,
}

impl CivilTime {
    /// `2026-05-04 14:30`.
    pub fn text(&self) -> String {
        format!(
            "{:04}-{:02}-{:02} {:02}:{:02}",
            self.year, self.month, self.day, self.hour, self.minute
        )
    }
}

/// A heading with what stands under it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Section {
    /// Heading.
    pub heading: String,
    /// Content in order.
    pub blocks: Vec<Block>,
}

impl Section {
    pub(crate) fn new(heading: impl Into<String>) -> Self {
        Self {
            heading: heading.into(),
            blocks: Vec::new(),
        }
    }

    pub(crate) fn push(&mut self, block: Block) -> &mut Self {
        self.blocks.push(block);
        self
    }
}

/// One piece of a section.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Block {
    /// A paragraph.
    Text {
        /// Text.
        text: String,
    },
    /// A paragraph that is read first.
    Lead {
        /// Text.
        text: String,
    },
    /// A remark in small print.
    Note {
        /// Text.
        text: String,
    },
    /// Lines in a frame: what must not be missed.
    Frame {
        /// Heading of the frame.
        head: String,
        /// Lines.
        lines: Vec<String>,
    },
    /// Points.
    List {
        /// Points, one paragraph each.
        items: Vec<String>,
    },
    /// Labels with their values.
    Facts {
        /// Label and value.
        rows: Vec<(String, String)>,
    },
    /// A table.
    Table {
        /// What it shows.
        caption: String,
        /// Columns.
        columns: Vec<Column>,
        /// Rows; as many cells as columns.
        rows: Vec<Vec<String>>,
        /// Rows high enough to be written in by hand.
        tall: bool,
    },
    /// A picture of our own.
    Picture {
        /// Drawing as SVG, complete by itself.
        #[serde(skip)]
        svg: String,
        /// File the template finds it under; given when the document is set.
        file: String,
        /// What it shows, for those who do not see it.
        alt: String,
        /// What stands under it.
        caption: String,
        /// Share of the text's width [%].
        width_percent: u8,
    },
    /// Photos side by side.
    Photos {
        /// Photos.
        photos: Vec<Photo>,
    },
    /// Lines to be filled in by hand.
    Lines {
        /// What is written on them.
        label: String,
        /// How many.
        count: u8,
    },
    /// Boxes to be ticked by hand.
    Ticks {
        /// What each stands for.
        items: Vec<String>,
    },
    /// Places to sign.
    Sign {
        /// Who signs.
        labels: Vec<String>,
    },
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Its head.
    pub head: String,
    /// Figures are set to the right.
    pub figures: bool,
}

impl Column {
    pub(crate) fn words(head: impl Into<String>) -> Self {
        Self {
            head: head.into(),
            figures: false,
        }
    }

    pub(crate) fn figures(head: impl Into<String>) -> Self {
        Self {
            head: head.into(),
            figures: true,
        }
    }
}

/// A photo in a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Photo {
    /// Picture, JPEG.
    #[serde(skip)]
    pub jpeg: Vec<u8>,
    /// File the template finds it under; given when the document is set.
    pub file: String,
    /// What it shows.
    pub caption: String,
}

impl Block {
    pub(crate) fn text(text: impl Into<String>) -> Self {
        Self::Text { text: text.into() }
    }

    pub(crate) fn lead(text: impl Into<String>) -> Self {
        Self::Lead { text: text.into() }
    }

    pub(crate) fn note(text: impl Into<String>) -> Self {
        Self::Note { text: text.into() }
    }

    /// Every text of the block that a reader sees, in reading order.
    pub fn texts(&self) -> Vec<&str> {
        let mut all: Vec<&str> = Vec::new();
        match self {
            Self::Text { text } | Self::Lead { text } | Self::Note { text } => all.push(text),
            Self::Frame { head, lines } => {
                all.push(head);
                all.extend(lines.iter().map(String::as_str));
            }
            Self::List { items } | Self::Ticks { items } => {
                all.extend(items.iter().map(String::as_str));
            }
            Self::Sign { labels } => all.extend(labels.iter().map(String::as_str)),
            Self::Facts { rows } => all.extend(rows.iter().flat_map(|(a, b)| [a.as_str(), b])),
            Self::Table {
                caption,
                columns,
                rows,
                ..
            } => {
                all.push(caption);
                all.extend(columns.iter().map(|c| c.head.as_str()));
                all.extend(rows.iter().flatten().map(String::as_str));
            }
            Self::Picture { caption, .. } => all.push(caption),
            Self::Photos { photos } => all.extend(photos.iter().map(|p| p.caption.as_str())),
            Self::Lines { label, .. } => all.push(label),
        }
        all.retain(|t| !t.is_empty());
        all
    }

    /// Every text of the block, to be changed in place; alternative texts too.
    pub(crate) fn texts_mut(&mut self) -> Vec<&mut String> {
        match self {
            Self::Text { text } | Self::Lead { text } | Self::Note { text } => vec![text],
            Self::Frame { head, lines } => std::iter::once(head).chain(lines).collect(),
            Self::List { items } | Self::Ticks { items } => items.iter_mut().collect(),
            Self::Sign { labels } => labels.iter_mut().collect(),
            Self::Facts { rows } => rows.iter_mut().flat_map(|(a, b)| [a, b]).collect(),
            Self::Table {
                caption,
                columns,
                rows,
                ..
            } => std::iter::once(caption)
                .chain(columns.iter_mut().map(|c| &mut c.head))
                .chain(rows.iter_mut().flatten())
                .collect(),
            Self::Picture { caption, alt, .. } => vec![caption, alt],
            Self::Photos { photos } => photos.iter_mut().map(|p| &mut p.caption).collect(),
            Self::Lines { label, .. } => vec![label],
        }
    }
}

impl Document {
    /// Every text a reader sees, in reading order.
    pub fn texts(&self) -> Vec<&str> {
        let mut all = vec![self.title.as_str(), &self.shop];
        all.extend(self.head.iter().flat_map(|(a, b)| [a.as_str(), b]));
        for section in &self.sections {
            all.push(&section.heading);
            all.extend(section.blocks.iter().flat_map(Block::texts));
        }
        all.push(&self.foot);
        all.retain(|t| !t.is_empty());
        all
    }

    pub(crate) fn texts_mut(&mut self) -> Vec<&mut String> {
        let mut all = vec![&mut self.title, &mut self.shop, &mut self.foot];
        all.extend(self.head.iter_mut().flat_map(|(a, b)| [a, b]));
        for section in &mut self.sections {
            all.push(&mut section.heading);
            all.extend(section.blocks.iter_mut().flat_map(Block::texts_mut));
        }
        all
    }
}
