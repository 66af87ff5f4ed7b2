//! The records of a workshop: schema, migrations, all SQL, photos beside the database.
//!
//! The content of a job is `evenpull.job/1`; the tables hold it in pieces, with the text every
//! value was written with, and put it together again. What does not read as a valid job is not
//! kept. Times are handed in; order comes from numbers, never from times.

mod adjustments;
mod archive;
mod backup;
mod corrections;
mod day;
mod documents;
mod error;
mod export;
mod findings;
mod fragment;
mod import;
mod integrity;
mod job_files;
mod job_text;
mod jobs;
mod library;
mod lock;
mod machines;
mod moment;
mod owners;
mod photo_cleaning;
mod photos;
mod progress;
mod readings;
mod record_file;
mod recording_pack;
mod remarks;
mod sales;
mod salvage;
mod schema;
mod seals;
mod searching;
mod shop;
mod snapshot;
mod stages;
mod store;
mod together;

pub use adjustments::{AdjustmentRecord, OverrideRecord};
pub use archive::{ArchiveLimits, unpack_archive};
pub use backup::{BackupSummary, restore};
pub use corrections::{Booking, CorrectionRecord, MachineBooking};
pub use day::day;
pub use documents::{DocumentRecord, NewDocument};
pub use error::StoreError;
pub use findings::{FindingsLine, FindingsRecord, NewFindings};
pub use fragment::Fragment;
pub use import::{ImportJob, Imported};
pub use integrity::CheckReport;
pub use job_text::{JobParts, ReadingPart};
pub use jobs::{JobFilter, JobLine, JobTexts, NewJob};
pub use library::{HealthyJob, LibrarySwitch};
pub use machines::{Machine, MachineLine, NewMachine};
pub use moment::Moment;
pub use owners::{NewOwner, Owner};
pub use photo_cleaning::cleaned_photo;
pub use photos::{NewPhoto, PhotoRecord};
pub use progress::ProgressRecord;
pub use readings::{NewReading, NewRecording, ReadingRecord, RecordingLine, StoredRecording};
pub use record_file::{
    CorrectionNote, FindingsNote, OverrideNote, PhotoNote, ReadingNote, RecordFile, RemarkNote,
    SealNote, StageNote, StepNote, TurnNote,
};
pub use recording_pack::hash as sha256_hex;
pub use remarks::{REMARK_TOPICS, RemarkRecord};
pub use sales::{Buyer, NewSale, SaleRecord};
pub use salvage::{SalvageReport, SalvagedTable, salvage};
pub use seals::{CheckRecord, SealMoment, SealRecord};
pub use shop::PairedDevice;
pub use stages::{MovedBy, StageMove};
pub use store::{Access, Store};
pub use together::{CheckEdit, NotedTogether};
