//! The recordings of a job: names, measured cycles, all figures.

use evenpull_diagnose::{Assessment, ChannelReading, CycleReading, ReadingResult, Scaled};

use crate::cycle_plot::cycle_panel;
use crate::legend::{glyph, series_of, shown};
use crate::number::fixed;
use crate::wording::condition;
use crate::writing::Writing;

/// The cycles of one reading.
#[derive(Debug)]
pub(crate) struct CyclePanel {
    pub(crate) reading: String,
    pub(crate) picture: Option<String>,
    pub(crate) notices: Vec<String>,
}

/// One body in one reading, all figures.
#[derive(Debug)]
pub(crate) struct TechnicalRow {
    pub(crate) reading: String,
    pub(crate) glyph: String,
    pub(crate) body: String,
    pub(crate) cells: Vec<String>,
}

/// `3 · sweep · 2,600 rpm`: short enough for a picture, plain enough for a table.
pub(crate) fn short_name(index: usize, reading: &ReadingResult) -> String {
    let mut name = format!("{} · {}", index + 1, condition(&reading.condition));
    if let Some(rpm) = reading
        .cycle
        .as_ref()
        .map(|c| c.rpm.value)
        .filter(|r| r.is_finite())
    {
        name.push_str(&format!(" · {} rpm", fixed((rpm / 10.0).round() * 10.0, 0)));
    }
    name
}

/// Readings that have a recording, with their place in the job.
pub(crate) fn recorded(
    a: &Assessment,
) -> impl Iterator<Item = (usize, &ReadingResult, &CycleReading)> {
    a.readings
        .iter()
        .enumerate()
        .filter_map(|(i, r)| Some((i, r, r.cycle.as_ref()?)))
}

/// One panel per reading that has a recording.
pub(crate) fn cycle_panels(a: &Assessment, writing: Writing) -> Vec<CyclePanel> {
    recorded(a)
        .map(|(i, reading, cycle)| {
            let name = short_name(i, reading);
            let title = format!("Measured cycle, reading {name}");
            CyclePanel {
                picture: cycle_panel(
                    &format!("cycle-{}", i + 1),
                    &title,
                    &a.body_names,
                    cycle,
                    writing,
                ),
                notices: crossed(cycle)
                    .into_iter()
                    .chain(cycle.notices.iter().map(|n| n.text.clone()))
                    .collect(),
                reading: name,
            }
        })
        .collect()
}

/// Every figure of every body of every recording.
pub(crate) fn technical_rows(a: &Assessment, writing: Writing) -> Vec<TechnicalRow> {
    recorded(a)
        .flat_map(|(i, reading, cycle)| {
            let name = short_name(i, reading);
            cycle.channels.iter().map(move |channel| TechnicalRow {
                reading: name.clone(),
                glyph: glyph(series_of(&a.body_names, &channel.body)),
                body: shown(&a.body_names, &channel.body),
                cells: technical_cells(cycle, channel, writing),
            })
        })
        .collect()
}

/// Which traces sit on another body than the hoses say, by the firing intervals.
fn crossed(cycle: &CycleReading) -> Option<String> {
    let body = |i: usize| cycle.channels.get(i).map(|c| c.body.as_str());
    let moved: Vec<String> = cycle
        .traces_on
        .iter()
        .enumerate()
        .filter(|(i, on)| i != *on)
        .filter_map(|(i, &on)| Some(format!("the trace of {} sits on {}", body(i)?, body(on)?)))
        .collect();
    (!moved.is_empty()).then(|| format!("By the firing intervals {}.", moved.join(", ")))
}

fn technical_cells(
    cycle: &CycleReading,
    channel: &ChannelReading,
    writing: Writing,
) -> Vec<String> {
    let pressure = |kpa: f64| fixed(kpa * writing.per_kpa(), writing.decimals() + 1);
    let scaled = |value: Option<Scaled>, decimals: usize| match value {
        Some(s) => format!(
            "{} · {} · {}",
            fixed(s.value, decimals),
            fixed(s.sd, decimals + 1),
            fixed(s.scale_sd, decimals)
        ),
        None => "refused".to_owned(),
    };
    vec![
        format!("{} · {}", fixed(cycle.rpm.value, 1), fixed(cycle.rpm.sd, 1)),
        fixed(cycle.rpm_scatter, 1),
        cycle.cycles.to_string(),
        pressure(channel.mean_depression_kpa),
        pressure(channel.lowest_kpa),
        format!(
            "{} · {}",
            fixed(channel.refill_rate_per_s.value, 2),
            fixed(channel.refill_rate_per_s.sd, 3)
        ),
        scaled(channel.through_area_mm2, 2),
        scaled(channel.drawn_air_mg, 1),
        fixed(channel.misfit, 2),
    ]
}
