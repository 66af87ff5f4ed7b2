//! The pages, one module for each.

mod aside;
mod bench;
mod devices;
mod findings_view;
mod pair;
mod records;
mod shop;
mod stream;
mod what_if;

pub(crate) use bench::condition_words;
pub use bench::exercise;
use bench::{Choice, chosen_faults, fault_choices, seed};
pub(crate) use bench::{bench, bench_assess, bench_do, bench_findings, bench_new};
pub(crate) use devices::{devices, leave};
use findings_view::{Findings, findings_view};
pub(crate) use pair::{pair, pair_page, pair_posted};
pub(crate) use records::{
    Assessed, assess_posted, bench_leave, book_posted, booking, booking_corrected, check_withdrawn,
    checks, checks_posted, findings, findings_page, handover, handover_posted, inspection,
    inspection_posted, job, job_bench, job_follow, jobs, machine, machine_corrected,
    machine_posted, machine_sold, machines, override_posted, owner_deleted, paper, photo,
    photo_posted, reading_posted, reading_withdrawn, readings, remark_posted, remark_withdrawn,
    seals_posted, stage_posted, step_posted, turn_posted, turn_withdrawn, work,
};
pub(crate) use shop::{light_posted, shop, shop_posted, shop_texts};
pub(crate) use stream::bench_stream;
pub(crate) use what_if::what_if_page;

use axum::extract::State;
use axum::response::Redirect;

use crate::state::Web;

/// Policy of the whole findings page. It is self-contained and brings its own style, so it has one
/// of its own: styles inline, no script at all.
const FINDINGS_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; \
                               form-action 'none'; frame-ancestors 'none'";

/// The first page of the day: the jobs, or the bench where there are no records.
pub(crate) async fn home(State(web): State<Web>) -> Redirect {
    Redirect::to(if web.records().is_some() {
        "/jobs"
    } else {
        "/bench"
    })
}
