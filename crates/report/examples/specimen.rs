//! Writes a specimen page from invented figures: `specimen [twin|triple|empty|hostile] FILE`.
#![expect(
    clippy::unwrap_used,
    reason = "a tool of the house: a failed write may stop it"
)]

#[path = "../tests/fixture/mod.rs"]
mod fixture;

fn main() {
    let mut args = std::env::args().skip(1);
    let (kind, file) = match (args.next(), args.next()) {
        (Some(kind), Some(file)) => (kind, file),
        (Some(file), None) => ("twin".to_owned(), file),
        _ => panic!("usage: specimen [twin|triple|empty|hostile] FILE"),
    };
    let assessment = match kind.as_str() {
        "twin" => fixture::twin(),
        "triple" => fixture::triple(),
        "empty" => fixture::empty(),
        "hostile" => fixture::hostile(),
        other => panic!("no specimen `{other}`; there are twin, triple, empty, hostile"),
    };
    std::fs::write(file, evenpull_report::page(&assessment, &fixture::meta())).unwrap();
}
