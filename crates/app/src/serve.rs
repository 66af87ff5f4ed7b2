//! What the server of the shop asks for beyond the use cases of the command line.

mod bench;
mod bench_job;
mod guide;
mod station;

pub use bench::{Bench, BenchGlance, BenchRefusal, BenchStart, Operation, mendable};
pub use bench_job::{BenchJob, BenchReading};
pub use guide::{GuideView, can_turn};
pub use station::Station;
