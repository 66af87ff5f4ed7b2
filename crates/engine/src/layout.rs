//! Samples written as a recording: three layouts a workshop meets.
//!
//! *Plain*: comma-separated seconds and kilopascals under one header line. *Scope*: semicolons,
//! decimal commas, milliseconds and volts, a units row and an infinity mark where the input was
//! overloaded. *Serial log*: boot text, a 32-bit microsecond counter that rolls over, converter
//! counts. [`Blemishes`] puts in the damage that such files come with.

use std::io::{self, Write};

use evenpull_airflow::{Counts, Ratiometric};

use crate::sensing::Samples;

/// Damage to put into a recording, by sample number.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Blemishes {
    /// The first column of this sample shows an overload mark (scope only).
    pub overload_at: Option<usize>,
    /// A line broken off after half of it, then an empty line, before this sample (serial only).
    pub broken_before: Option<usize>,
}

/// A layout with what it needs to turn pressure into what is printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Layout {
    /// `time_s,left_kpa,right_kpa`, five and three decimals.
    Plain,
    /// `Time;Channel A;Channel B`, milliseconds and volts, decimal commas.
    Scope {
        /// Sensor behind every channel.
        sensor: Ratiometric,
        /// Sensor supply [V].
        supply_v: f64,
    },
    /// Counter and counts, no header.
    SerialLog {
        /// Sensor behind every channel.
        sensor: Ratiometric,
        /// Converter.
        counts: Counts,
        /// Counter at the first sample [us]; it rolls over after 4,294,967,295.
        first_us: u32,
    },
}

/// Writes `samples` of channels named `bodies` in `order` (indices into the channels) to `out`.
///
/// `bodies` names the channels in the order of `samples`; columns follow `order`.
///
/// # Errors
/// Whatever `out` returns; [`io::ErrorKind::InvalidInput`] when `order` names a channel that is
/// not there or `bodies` does not name every channel.
pub fn write_recording(
    out: &mut impl Write,
    samples: &Samples,
    bodies: &[&str],
    order: &[usize],
    layout: &Layout,
    blemishes: Blemishes,
) -> io::Result<()> {
    if bodies.len() != samples.p_pa.len() || order.iter().any(|&c| c >= bodies.len()) {
        let text = format!(
            "{} body names and columns {order:?} do not fit {} channels",
            bodies.len(),
            samples.p_pa.len()
        );
        return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
    }
    match layout {
        Layout::Plain => write_plain(out, samples, bodies, order),
        Layout::Scope { sensor, supply_v } => {
            write_scope(out, samples, order, *sensor, *supply_v, blemishes)
        }
        Layout::SerialLog {
            sensor,
            counts,
            first_us,
        } => write_serial(out, samples, order, *sensor, *counts, *first_us, blemishes),
    }
}

fn write_plain(
    out: &mut impl Write,
    samples: &Samples,
    bodies: &[&str],
    order: &[usize],
) -> io::Result<()> {
    write!(out, "time_s")?;
    for &c in order {
        write!(out, ",{}_kpa", bodies[c])?;
    }
    writeln!(out)?;
    for k in 0..samples.len() {
        write!(out, "{:.5}", k as f64 * samples.dt_s)?;
        for &c in order {
            write!(out, ",{:.3}", f64::from(samples.p_pa[c][k]) * 1e-3)?;
        }
        writeln!(out)?;
    }
    Ok(())
}

fn write_scope(
    out: &mut impl Write,
    samples: &Samples,
    order: &[usize],
    sensor: Ratiometric,
    supply_v: f64,
    blemishes: Blemishes,
) -> io::Result<()> {
    let names = order.iter().enumerate().map(|(i, _)| column_name(i));
    writeln!(out, "Time;{}", names.collect::<Vec<_>>().join(";"))?;
    writeln!(out, "(ms){}", ";(V)".repeat(order.len()))?;
    writeln!(out)?;
    for k in 0..samples.len() {
        let mut line = format!("{:.3}", k as f64 * samples.dt_s * 1e3);
        for (column, &c) in order.iter().enumerate() {
            if column == 0 && blemishes.overload_at == Some(k) {
                line.push_str(";\u{221e}");
            } else {
                let volts = supply_v * sensor.ratio_from_pa(f64::from(samples.p_pa[c][k]));
                line.push_str(&format!(";{volts:.4}"));
            }
        }
        writeln!(out, "{}", line.replace('.', ","))?;
    }
    Ok(())
}

fn write_serial(
    out: &mut impl Write,
    samples: &Samples,
    order: &[usize],
    sensor: Ratiometric,
    counts: Counts,
    first_us: u32,
    blemishes: Blemishes,
) -> io::Result<()> {
    let bits = (counts.full_scale() + 1.0).log2().round();
    writeln!(out, "boot ok, {bits:.0} bit")?;
    for k in 0..samples.len() {
        // The cast keeps whole microseconds; the counter itself is 32 bit and rolls over.
        let since_us = (k as f64 * samples.dt_s * 1e6).round() as u64;
        let now_us = (u64::from(first_us) + since_us) % (u64::from(u32::MAX) + 1);
        if blemishes.broken_before == Some(k) {
            let text = now_us.to_string();
            writeln!(out, "{}", &text[..text.len().div_ceil(2)])?;
            writeln!(out)?;
        }
        write!(out, "{now_us}")?;
        for &c in order {
            let n = counts
                .counts(sensor.ratio_from_pa(f64::from(samples.p_pa[c][k])))
                .round();
            write!(out, ",{:.0}", n.clamp(0.0, counts.full_scale()))?;
        }
        writeln!(out)?;
    }
    Ok(())
}

/// `Channel A`, `Channel B` and so on; numbers beyond the alphabet.
fn column_name(index: usize) -> String {
    match u8::try_from(index) {
        Ok(i) if i < 26 => format!("Channel {}", char::from(b'A' + i)),
        _ => format!("Channel {}", index + 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SENSOR: Ratiometric = Ratiometric::RANGE_15_TO_115_KPA;

    fn samples() -> Samples {
        Samples {
            dt_s: 0.001,
            p_pa: vec![
                vec![50_000.0, 51_234.0, 40_000.0],
                vec![90_000.0, 89_000.0, 88_000.0],
            ],
            mean_rpm: 1250.0,
        }
    }

    fn written(layout: &Layout, order: &[usize], blemishes: Blemishes) -> String {
        let mut out = Vec::new();
        write_recording(
            &mut out,
            &samples(),
            &["left", "right"],
            order,
            layout,
            blemishes,
        )
        .unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn plain_has_seconds_and_kilopascals() {
        let text = written(&Layout::Plain, &[0, 1], Blemishes::default());
        let want = "time_s,left_kpa,right_kpa\n0.00000,50.000,90.000\n0.00100,51.234,89.000\n\
                    0.00200,40.000,88.000\n";
        assert_eq!(text, want);
    }

    #[test]
    fn scope_has_commas_units_swapped_columns_and_the_overload_mark() {
        let layout = Layout::Scope {
            sensor: SENSOR,
            supply_v: 5.0,
        };
        let blemishes = Blemishes {
            overload_at: Some(1),
            ..Blemishes::default()
        };
        let text = written(&layout, &[1, 0], blemishes);
        // 5 V (0.009 * 90 - 0.095) = 3.575 V; 50 kPa is 1.775 V.
        let want = "Time;Channel A;Channel B\n(ms);(V);(V)\n\n0,000;3,5750;1,7750\n\
                    1,000;\u{221e};1,8305\n2,000;3,4850;1,3250\n";
        assert_eq!(text, want);
    }

    #[test]
    fn serial_log_rolls_over_and_breaks_where_told() {
        let layout = Layout::SerialLog {
            sensor: SENSOR,
            counts: Counts::new(4095.0).unwrap(),
            first_us: u32::MAX - 1000,
        };
        let blemishes = Blemishes {
            broken_before: Some(1),
            ..Blemishes::default()
        };
        let text = written(&layout, &[0, 1], blemishes);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "boot ok, 12 bit");
        assert_eq!(lines[1], "4294966295,1454,2928");
        assert_eq!(&lines[2..4], &["42949", ""]);
        assert!(lines[4].starts_with("4294967295,"), "{}", lines[4]);
        assert!(lines[5].starts_with("999,"), "{}", lines[5]);
    }

    #[test]
    fn columns_that_are_not_there_are_refused() {
        let mut out = Vec::new();
        let bad = write_recording(
            &mut out,
            &samples(),
            &["left", "right"],
            &[0, 2],
            &Layout::Plain,
            Blemishes::default(),
        );
        assert_eq!(bad.unwrap_err().kind(), io::ErrorKind::InvalidInput);
    }
}
