//! What the server of the shop asks for beyond the use cases of the command line.

mod bench;
mod bench_job;
mod bench_source;
mod guide;
mod station;

pub use bench::{
    AGREE_KPA, Bench, BenchGlance, BenchRefusal, Beside, Comparison, DRAWN_KPA, Operation,
};
pub use bench_job::{BenchJob, BenchReading};
pub use bench_source::{BenchSource, BenchStart, SensorSource, mendable};
pub use guide::{GuideView, can_turn};
pub use station::Station;
