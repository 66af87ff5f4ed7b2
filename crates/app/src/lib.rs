//! Each use case once; files are opened here and nowhere below.

mod answer;
mod error;
mod job_folder;
mod profiles;
mod setup;
mod text_file;

pub use answer::{
    AdviceAnswer, AssessAnswer, BaselineAnswer, BodyAnswer, CauseAnswer, ChannelAnswer,
    DifferenceAnswer, FuellingAnswer, IntervalAnswer, JobReadingAnswer, MeasuredAnswer,
    NextReadingAnswer, NoticeAnswer, ReadAnswer, ReadingBody, ScaledAnswer, assess_answer,
    cause_code, read_answer,
};
pub use error::{AppError, ErrorKind};
pub use job_folder::{LoadedJob, load_job};
pub use profiles::{LoadedProfile, load_profile, profile_list};
