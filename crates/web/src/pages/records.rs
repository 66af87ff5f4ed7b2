//! Pages on the records: machines, and a job from booking-in to handover.

mod bench_link;
mod booking;
mod checks;
mod findings;
mod handover;
mod inspection;
mod jobs;
mod machines;
mod owners;
mod papers;
mod readings;
mod said;
mod stored;
mod work;
mod years;

pub(crate) use bench_link::{bench_leave, job_bench, job_follow};
pub(crate) use booking::{booking, booking_corrected, photo, photo_posted, seals_posted};
pub(crate) use checks::{check_withdrawn, checks, checks_posted};
pub(crate) use findings::{Assessed, assess_posted, findings, findings_page};
pub(crate) use handover::{handover, handover_posted};
pub(crate) use inspection::{inspection, inspection_posted};
pub(crate) use jobs::{job, jobs, stage_posted};
pub(crate) use machines::{book_posted, machine, machine_corrected, machine_posted, machines};
pub(crate) use owners::{machine_sold, owner_deleted};
pub(crate) use papers::{paper, remark_posted, remark_withdrawn};
pub(crate) use readings::{reading_posted, reading_withdrawn, readings};
pub(crate) use work::{override_posted, step_posted, turn_posted, turn_withdrawn, work};
