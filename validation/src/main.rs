//! Prints the table of outside checks; exit code 1 if one does not end as expected.

use std::process::ExitCode;

fn main() -> ExitCode {
    let cases = evenpull_validation::all();
    #[expect(clippy::print_stdout, reason = "the table is this program's output")]
    {
        print!("{}", evenpull_validation::table(&cases));
    }
    if cases.iter().all(evenpull_validation::Case::is_as_expected) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
