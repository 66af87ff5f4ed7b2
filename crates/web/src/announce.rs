//! What the server tells the person at the terminal.

use std::sync::Arc;

/// One thing to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Announcement {
    /// The code for the next device to be paired.
    Code(String),
    /// A device was paired.
    Paired,
    /// The code was tried too often and thrown away.
    Locked {
        /// Seconds until the next try is heard.
        seconds: u64,
    },
    /// Something that does not work as it should, in words.
    Trouble(String),
    /// A fault of the program; the page shows the number only.
    Fault {
        /// Number shown on the page.
        number: u64,
        /// What happened.
        text: String,
    },
}

/// Takes what is to be told; the command line writes it to standard error.
pub(crate) type Announce = Arc<dyn Fn(Announcement) + Send + Sync>;
