//! Writes a document of an invented job: `paper [finished|bare|hostile|photos|years] KIND FILE.pdf|.html
//! [UNIT]`; with a unit of pressure in that unit and with a decimal comma.
#![expect(
    clippy::unwrap_used,
    reason = "a tool of the house: a failed write may stop it"
)]

#[expect(dead_code, reason = "the page of an assessment uses the rest")]
#[path = "../tests/fixture/mod.rs"]
mod fixture;
#[path = "../tests/papers/mod.rs"]
mod papers;

use evenpull_report::{DocumentKind, Paper, Writing, html, printed};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [job, kind, file, unit @ ..] = args.as_slice() else {
        panic!("usage: paper [finished|bare|hostile|photos|years] KIND FILE.pdf|.html [UNIT]");
    };
    let mut papers = match job.as_str() {
        "finished" => papers::finished(),
        "bare" => papers::bare(),
        "hostile" => papers::hostile(),
        "photos" => {
            let mut papers = papers::finished();
            papers.record.photos = papers::photos(60);
            papers
        }
        "years" => {
            let mut papers = papers::finished();
            papers.record.years = Some(papers::years());
            papers
        }
        other => panic!("no job `{other}`"),
    };
    if let Some(unit) = unit.first() {
        papers.writing = Writing {
            comma: true,
            pressure: unit.parse().unwrap(),
        };
    }
    let document = papers.document(DocumentKind::from_word(kind).unwrap());
    let start = std::time::Instant::now();
    let bytes = if file.ends_with(".pdf") {
        printed(&document, Paper::A4).unwrap().bytes
    } else {
        html(&document, Paper::A4).into_bytes()
    };
    eprintln!("{} bytes in {:?}", bytes.len(), start.elapsed());
    std::fs::write(file, bytes).unwrap();
}
