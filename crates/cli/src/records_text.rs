//! The records as text for a terminal.

use std::fmt::Write as _;

use evenpull_app::{JobLine, JobRecord, MachineLine, Moment, Owner, SaleRecord};

use crate::paragraph::table;

pub(crate) fn machine_lines(machines: &[MachineLine]) -> String {
    if machines.is_empty() {
        return "no machines\n".to_owned();
    }
    let head = [
        "machine",
        "name",
        "registration",
        "owner",
        "jobs",
        "latest job",
    ];
    let rows = machines.iter().map(|m| {
        vec![
            m.id.to_string(),
            m.name.clone(),
            m.registration.clone(),
            number(m.owner_id),
            m.jobs.to_string(),
            number(m.latest_job),
        ]
    });
    table(&head.map(str::to_owned), rows.collect())
}

pub(crate) fn owner_lines(owners: &[Owner]) -> String {
    if owners.is_empty() {
        return "no owners\n".to_owned();
    }
    let head = ["owner", "name", "contact", "keep until", "note"];
    let rows = owners.iter().map(|o| {
        vec![
            o.id.to_string(),
            o.data.name.clone(),
            o.data.contact.clone(),
            o.data.retain_until.clone(),
            o.data.note.clone(),
        ]
    });
    table(&head.map(str::to_owned), rows.collect())
}

pub(crate) fn sale_lines(sales: &[SaleRecord]) -> String {
    if sales.is_empty() {
        return "no sales\n".to_owned();
    }
    let head = [
        "sale",
        "sold on",
        "owner before",
        "registration before",
        "their last job",
    ];
    let rows = sales.iter().map(|s| {
        vec![
            s.id.to_string(),
            s.sold_on.clone(),
            number(s.owner_id),
            s.registration.clone(),
            number(Some(s.until_job).filter(|job| *job > 0)),
        ]
    });
    table(&head.map(str::to_owned), rows.collect())
}

pub(crate) fn job_lines(jobs: &[JobLine]) -> String {
    if jobs.is_empty() {
        return "no jobs\n".to_owned();
    }
    let head = [
        "job",
        "machine",
        "booked in",
        "stage",
        "readings",
        "findings",
    ];
    let rows = jobs.iter().map(|j| {
        vec![
            j.id.to_string(),
            j.machine.clone(),
            when(j.created),
            if j.closed.is_some() {
                "closed".to_owned()
            } else {
                j.stage.clone()
            },
            j.readings.to_string(),
            findings(j),
        ]
    });
    table(&head.map(str::to_owned), rows.collect())
}

fn findings(job: &JobLine) -> String {
    match (job.undetermined, job.leading_cause.as_deref()) {
        (None, _) => "-".to_owned(),
        (Some(true), _) => "undetermined".to_owned(),
        (Some(false), cause) => cause.unwrap_or("-").to_owned(),
    }
}

pub(crate) fn job_text(record: &JobRecord) -> String {
    let j = &record.line;
    let mut text = format!("JOB {}  {} (machine {})\n", j.id, j.machine, j.machine_id);
    let mut line = |name: &str, value: String| {
        if !value.is_empty() {
            let _ = writeln!(text, "  {name:<11} {value}");
        }
    };
    line("booked in", when(j.created));
    line("closed", j.closed.map(when).unwrap_or_default());
    line("stage", j.stage.clone());
    line(
        "odometer",
        j.odometer_km
            .map(|km| format!("{km} km"))
            .unwrap_or_default(),
    );
    line("complaint", j.complaint.clone());
    for c in &record.corrections {
        let was = if c.was.is_empty() { "empty" } else { &c.was };
        line(
            "corrected",
            format!("{}: was {was} until {}", c.field, when(c.corrected)),
        );
    }
    for m in &record.stage_moves {
        let moved = format!(
            "{}: {} after {}, by {}",
            when(m.moved),
            m.stage,
            m.was,
            m.why
        );
        line("moved on", moved);
    }
    line("findings", findings(j));
    for r in &record.readings {
        let file = r.recording.as_ref().map(|c| c.file_name.as_str());
        let gone = r
            .withdrawn_reason
            .as_ref()
            .map(|w| format!(" (withdrawn: {w})"));
        line(
            &format!("reading {}", r.id),
            format!(
                "{}, {}{}{}",
                when(r.taken),
                r.condition,
                file.map(|f| format!(", {f}")).unwrap_or_default(),
                gone.unwrap_or_default()
            ),
        );
    }
    for s in &record.seals {
        line("seal", format!("{} {} ({})", s.part, s.state, s.moment));
    }
    for c in &record.checks {
        if c.value_toml.is_empty() {
            line("check", format!("{} taken back", c.name));
        } else {
            line("check", format!("{} = {}", c.name, c.value_toml));
        }
    }
    for a in &record.adjustments {
        let gone = if a.counts() { "" } else { " (taken back)" };
        line(
            &format!("turn {}", a.id),
            format!("{} {:+} turns, {}{gone}", a.adjuster, a.turns, a.stage),
        );
    }
    for o in &record.overrides {
        line("override", format!("{}: {}", o.adjuster, o.reason));
    }
    for p in &record.progress {
        let state = if p.done { "done" } else { "not done" };
        line(
            "step",
            format!("{} {state} {}", p.step, p.note)
                .trim_end()
                .to_owned(),
        );
    }
    for p in &record.photos {
        line(
            &format!("photo {}", p.id),
            format!("{} ({})", p.caption, p.stage),
        );
    }
    text
}

fn number(id: Option<i64>) -> String {
    id.map_or_else(String::new, |n| n.to_string())
}

/// Local date and time.
fn when(at: Moment) -> String {
    jiff::Timestamp::from_millisecond(at.ms).map_or_else(
        |_| "-".to_owned(),
        |t| {
            t.to_zoned(jiff::tz::TimeZone::system())
                .strftime("%Y-%m-%d %H:%M")
                .to_string()
        },
    )
}
