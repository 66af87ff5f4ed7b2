//! Each use case once; files are opened here and nowhere below.

mod answer;
mod assess;
mod demo;
mod documents;
mod earlier;
mod error;
mod job_folder;
mod layout_hint;
mod live;
mod order_of_work;
mod page;
mod practice;
mod present_state;
mod profiles;
mod recording;
mod records;
mod scale;
mod serve;
mod setup;
mod standing;
mod text_file;
mod written;

pub use answer::{
    AdviceAnswer, AssessAnswer, BaselineAnswer, BaselineBodyAnswer, BodyAnswer, CauseAnswer,
    ChannelAnswer, DifferenceAnswer, FuellingAnswer, IntervalAnswer, JobReadingAnswer,
    MeasuredAnswer, NextReadingAnswer, NoticeAnswer, ReadAnswer, ReadingBody, SamplingAnswer,
    ScaledAnswer, assess_answer, cause_code, read_answer,
};
pub use assess::{
    AssessOutcome, JobProgress, assess, assess_loaded, assess_sampled, assess_with_references,
};
pub use demo::{BenchTrial, DemoOutcome, demo, demo_bench};
pub use documents::{
    Calendar, Chosen, DocumentFile, DocumentForm, KeptDocument, folder_document, load_rates,
    write_document,
};
pub use error::{AppError, ErrorKind};
pub use evenpull_airflow::parse_decimal;
pub use evenpull_diagnose::{
    Advice, Assessment, BASELINE_WORDS, BodyFinding, Cause, CauseCode, Fuelling, Interval,
    NextReading, ReadingKind, ReadingResult, Sampled, Sampling,
};
pub use evenpull_job::{
    Adjuster, AdjusterKind, AmbientData, CautionWhen, Condition, GateCheck, GateState, HoseData,
    Job, Layout, PerBody, Pinch, PressureUnit, Profile, Reading, SealState, Stage, Step, Tolerance,
    cautions_for,
};
pub use evenpull_live::{Seen, Snapshot, Throttle, Watcher};
pub use evenpull_report::{
    CivilTime, DocumentKind, GAUGE_UNITS, LineChoice, Paper, PricedLine, Rates, RemarkTopic,
    STYLE as PAGE_STYLE, TextTableError, Verdict, Writing, cause_headline, cause_name, chance,
    filled_text, held_words, lowered, text_table, turn_fraction, verdict,
};
pub use evenpull_store::{
    Access, AdjustmentRecord, BackupSummary, Booking, Buyer, CheckEdit, CheckRecord, CheckReport,
    CorrectionRecord, DocumentRecord, FindingsLine, FindingsRecord, Fragment, Imported, JobFilter,
    JobLine, JobTexts, Machine, MachineBooking, MachineLine, Moment, NewFindings, NewJob,
    NewMachine, NewOwner, NewPhoto, OverrideRecord, Owner, PairedDevice, PhotoRecord,
    ProgressRecord, ReadingRecord, RecordingLine, RemarkRecord, SaleRecord, SalvageReport,
    SalvagedTable, SealMoment, SealRecord, StageMove, StoreError, StoredRecording, day,
};
pub use evenpull_trace::{ChannelReading, CycleReading, Measured, Notice, Scaled};
pub use job_folder::{LoadedJob, load_job};
pub use live::{
    BodyView, CrossedView, Heard, LinkView, ListenUntil, LiveReading, LiveRequest, LiveSession,
    LiveSource, LiveView, MissingView, PracticeView, ProgressView, listen, live_view,
    reading_band_rpm,
};
pub use page::{assessment_page, write_assessment};
pub use practice::{
    Changed, Fault, FaultError, Individual, MOST_STOP_TURNS, PracticePoint, PracticeRequest,
    PracticeTruth, PracticeVisit, ReadingTruth, Stands, WhatIf, WhatIfFound, fault_codes, practice,
    stops, what_if,
};
pub use profiles::{LoadedProfile, load_profile, profile_list};
pub use recording::{ReadOutcome, ReadRequest, Source, job_request, load_layout, read_recording};
pub use records::{
    BeforeAfter, ChangeAnswer, Clock, DotAnswer, EstimateLine, GaugeEntry, HistoryAnswer,
    JobRecord, JobSource, LibraryJob, LibrarySweep, LibraryValue, LibraryView, MachineHistory,
    MovedAnswer, OdometerDoubt, OfferReason, RangeAnswer, ReadingEntry, RecordingEntry, Records,
    Sale, SeriesAnswer, ShopSettings, ShownFindings, StageOffer, StoredAssessment, Together,
    TurnDoubt, assess_source, block_on, default_data_folder, restore_records, salvage_records,
    system_clock,
};
pub use serve::{
    AGREE_KPA, Bench, BenchGlance, BenchJob, BenchReading, BenchRefusal, BenchSource, BenchStart,
    Beside, Comparison, DRAWN_KPA, GuideView, Operation, SensorSource, Station, can_turn, mendable,
};
pub use text_file::read_bytes;
