//! Jobs made by hand for the documents: invented machines, invented figures.

mod years;

use evenpull_diagnose::{Assessment, ReadingResult};
use evenpull_job::{Job, Profile};
use evenpull_report::{
    CivilTime, Document, DocumentKind, DocumentTexts, JobPaper, LineChoice, PaperPhoto,
    PaperRecord, PaperRemark, PricedLine, Rates, ReadingSource, RemarkTopic, Stamp, TurnedStop,
    Writing, estimate, handover, inspection, job_card, small_photo, why_sealed,
};

use crate::fixture;
pub(crate) use years::years;

const PROFILE: &str = include_str!("../../../../examples/jobs/healthy/profile.toml");

/// Everything a document is made from, owned.
pub(crate) struct Papers {
    pub(crate) profile: Profile,
    pub(crate) job: Job,
    pub(crate) now: Assessment,
    pub(crate) as_found: Option<Assessment>,
    pub(crate) record: PaperRecord,
    pub(crate) stamp: Stamp,
    pub(crate) texts: DocumentTexts,
    pub(crate) writing: Writing,
}

impl Papers {
    pub(crate) fn document(&self, kind: DocumentKind) -> Document {
        let paper = JobPaper {
            profile: &self.profile,
            job: &self.job,
            now: &self.now,
            as_found: self.as_found.as_ref(),
            record: &self.record,
            stamp: &self.stamp,
            texts: &self.texts,
            writing: self.writing,
        };
        match kind {
            DocumentKind::Inspection => inspection(&paper),
            DocumentKind::JobCard => job_card(&paper),
            DocumentKind::Estimate => estimate(&paper, &rates()),
            DocumentKind::WhySealed => why_sealed(&paper, &turned()),
            _ => handover(&paper),
        }
    }
}

fn rates() -> Rates {
    let line = |choice, words: &str, minutes, price_hundredths| PricedLine {
        choice,
        words: words.into(),
        minutes,
        price_hundredths,
    };
    Rates {
        currency: "EUR".into(),
        rate_hundredths: Some(6_800),
        lines: vec![
            line(LineChoice::Both, "Balance, read before and after", 75, 0),
            line(LineChoice::Repair, "New spindle bushes, right", 150, 8_450),
            line(
                LineChoice::Replacement,
                "Throttle body set, used",
                90,
                61_000,
            ),
        ],
    }
}

fn turned() -> TurnedStop {
    TurnedStop {
        opened_deg: 0.45,
        before_mm2: 7.9,
        after_mm2: 9.6,
        air_error_percent: vec![
            (2.0, 14.0),
            (5.0, 8.0),
            (12.0, 4.0),
            (25.0, 2.0),
            (40.0, 1.0),
        ],
    }
}

const HEAD: &str = "format = \"evenpull.job/1\"\nprofile = \"p\"\nmachine = \"Dunlin 1060\"\n\
    notes = [\"came on a trailer\"]\n[ambient]\npressure_kpa = 97.2\ntemperature_c = 19\n\
    key_off_kpa = { left = 97.2, right = 97.4 }\n[seals]\n\"stop.left\" = \"intact\"\n\
    \"stop.right\" = \"disturbed\"\n\"link.left\" = \"cannot see\"\n[checks]\ngauges_zeroed = true\n\
    spindle_play_mm = { left = 0.07, right = 0.02 }\n";

/// A visit with a turn between its readings; `readings` are condition, speed, left and right.
fn job(profile: &Profile, readings: &[(&str, f64, f64, f64, bool)]) -> Job {
    let mut text = HEAD.to_owned();
    for (condition, rpm, left, right, after_turn) in readings {
        text.push_str(&format!(
            "[[reading]]\ncondition = \"{condition}\"\nrpm = {rpm}\nengine_c = 82\nsensor_v = 0.556\n\
             idle_valve_steps = 40\ngauge = {{ left = {left}, right = {right}, unit = \"kPa\" }}\n"
        ));
        if *after_turn {
            text.push_str("adjusted = [{ adjuster = \"balance screw\", turns = -0.34 }]\n");
        }
    }
    Job::from_toml("job.toml", &text, profile).unwrap()
}

/// A finished job, read before and after.
pub(crate) fn finished() -> Papers {
    let profile = Profile::from_toml("profile.toml", PROFILE).unwrap();
    let before = [
        ("idle-bleeds-shut", 1250.0, 41.3, 41.9, false),
        ("idle", 1260.0, 40.2, 40.6, false),
        ("sweep", 1700.0, 39.3, 40.4, false),
        ("sweep", 2100.0, 38.9, 39.2, false),
        ("sweep", 2600.0, 38.1, 38.5, false),
        ("hold", 3800.0, 32.6, 34.1, false),
    ];
    let after = [
        ("idle", 1255.0, 40.1, 40.4, true),
        ("hold", 3790.0, 33.3, 33.6, false),
    ];
    let found = fixture::twin();
    let mut now = fixture::twin();
    let later: Vec<ReadingResult> = [1, 5]
        .map(|i| {
            let mut r = now.readings[i].clone();
            let cycle = r.cycle.as_mut().unwrap();
            cycle.channels[0].mean_depression_kpa += 0.4;
            r
        })
        .into();
    now.readings.extend(later);
    for f in &mut now.fuelling {
        let e = &mut f.air_error_percent;
        (e.value, e.lo90, e.hi90) = (0.2 * e.value, 0.2 * e.value - 2.0, 0.2 * e.value + 2.0);
    }
    Papers {
        job: job(&profile, &[&before[..], &after[..]].concat()),
        profile,
        now,
        as_found: Some(found),
        record: record(),
        stamp: stamp(),
        texts: DocumentTexts::english(),
        writing: Writing::default(),
    }
}

/// A triple read once with gauges, nothing on record: the least a document is made from.
pub(crate) fn bare() -> Papers {
    let mut papers = finished();
    papers.job.readings.truncate(2);
    papers.job.readings[1].condition = evenpull_job::Condition::Hold;
    papers.job.readings[0].condition = evenpull_job::Condition::Idle;
    papers.now = fixture::triple();
    papers.as_found = None;
    papers.record = PaperRecord::default();
    papers
}

/// Names and texts that try to be markup, in many letters, and very long.
pub(crate) fn hostile() -> Papers {
    let mut papers = finished();
    papers.now = fixture::hostile();
    papers.now.machine = format!("{} #eval(\"1\") *bold* _it_ $x^2$ @ref <b>", long_word());
    papers.as_found = None;
    papers.record.complaint =
        "#panic(\"x\") [a] <script>alert(1)</script> `raw` \\ // /* \u{202e}abc \u{0} łódź Ω Ж 左"
            .into();
    papers.record.remarks[0].text = long_word();
    papers.stamp.job_name = "k".repeat(200);
    papers.stamp.shop = "Werkstatt Äpfelstraße & Söhne — Мастерская Ωμέγα".into();
    papers
}

pub(crate) fn long_word() -> String {
    "Donaudampfschifffahrtsgesellschaftskapitän".repeat(6)
}

fn stamp() -> Stamp {
    Stamp {
        program_version: "0.1.0".into(),
        written: CivilTime {
            year: 2031,
            month: 5,
            day: 3,
            hour: 16,
            minute: 20,
            offset_minutes: 120,
        },
        data_sha256: "3f9a61c0d2b45e778899aabbccddeeff00112233445566778899aabbccddeeff".into(),
        job_name: "12".into(),
        version: Some(2),
        shop: "Shop by the weir, 3 Mill Lane".into(),
    }
}

fn record() -> PaperRecord {
    let remark = |topic, text: &str| PaperRemark {
        topic,
        text: text.into(),
    };
    let taken = |n: i64| ReadingSource {
        number: Some(30 + n),
        taken: Some(format!("2031-05-03 14:{:02}", 10 + n)),
        recording_sha256: Some("a1b2c3d4e5f60718293a".into()),
    };
    PaperRecord {
        complaint: "Hunts at idle when hot, snatches at small throttle.".into(),
        odometer_km: Some(31_200),
        booked: Some("2031-05-02 09:05".into()),
        readings: (0..8).map(taken).collect(),
        seals_fitted: vec![("stop.right".into(), "intact".into())],
        turned: vec![
            ("balance screw".into(), -0.34),
            ("bleed.right".into(), 0.25),
        ],
        turned_since: false,
        overrides: vec![],
        remarks: vec![
            remark(RemarkTopic::Found, "Filter brown on the clean side."),
            remark(RemarkTopic::Done, "Airbox cleaned, filter renewed."),
            remark(RemarkTopic::Declined, "New inlet stubs."),
            remark(RemarkTopic::NotChecked, "Leak-down: no adapter."),
        ],
        years: None,
        note: String::new(),
        photos: vec![],
        photos_unread: 0,
    }
}

/// Photos of so many sides, each its own picture.
pub(crate) fn photos(count: usize) -> Vec<PaperPhoto> {
    (0..count)
        .map(|i| {
            let shade = |x: u32, y: u32| image::Rgb([(x / 3) as u8, (y / 3) as u8, (i * 4) as u8]);
            let picture = image::RgbImage::from_fn(640, 480, shade);
            let mut png = std::io::Cursor::new(Vec::new());
            picture.write_to(&mut png, image::ImageFormat::Png).unwrap();
            PaperPhoto {
                jpeg: small_photo(png.get_ref()).unwrap(),
                caption: format!("Stop screw, side {}", i + 1),
                after: i % 2 == 1,
            }
        })
        .collect()
}
