//! A machine over seven visits: a spindle that wears, a stop that somebody turned, a sensor at rest.

use evenpull_diagnose::{
    Axis, Change, Dot, Forecast, History, Interval, Limit, Quantity, Series, Step, Touched, Trend,
};
use evenpull_report::PaperYears;

fn about(value: f64, half: f64) -> Interval {
    Interval {
        value,
        lo90: value - half,
        hi90: value + half,
    }
}

/// Values of the visits, 6,000 km apart.
fn series(quantity: Quantity, part: &str, values: &[f64], half: f64) -> Series {
    let dot = |(i, v): (usize, &f64)| Dot {
        visit: i,
        at: 6_000.0 * i as f64,
        read: about(*v, half),
        level: about(*v, 0.6 * half),
        set: false,
    };
    Series {
        quantity,
        part: part.into(),
        dots: values.iter().enumerate().map(dot).collect(),
        trend: None,
        limit: None,
        forecast: None,
        ahead: Vec::new(),
        steps: Vec::new(),
        hints: Vec::new(),
    }
}

pub(crate) fn years() -> PaperYears {
    let wear = Series {
        trend: Some(Trend {
            rate: about(0.45, 0.08),
            known: true,
        }),
        limit: Some(Limit {
            lo: None,
            hi: Some(2.5),
            why: "worn out",
        }),
        forecast: Some(Forecast {
            limit: 2.5,
            day: about(3_000.0, 300.0),
            distance_km: Some(Interval {
                value: 49_500.0,
                lo90: 45_200.0,
                hi90: f64::INFINITY,
            }),
        }),
        ahead: vec![(36_000.0, about(1.9, 0.1)), (48_000.0, about(2.44, 0.3))],
        ..series(
            Quantity::Leak,
            "left",
            &[0.31, 0.55, 0.84, 1.10, 1.38, 1.62, 1.90],
            0.12,
        )
    };
    let turned = Series {
        steps: vec![Step {
            visit: 4,
            probability: 0.97,
            size: about(0.31, 0.05),
        }],
        ..series(
            Quantity::Offset,
            "right",
            &[0.02, -0.01, 0.01, 0.03, 0.34, 0.32, 0.35],
            0.05,
        )
    };
    let depression = Series {
        trend: Some(Trend {
            rate: about(-2.0, 0.4),
            known: true,
        }),
        ..series(
            Quantity::Depression,
            "",
            &[38.0, 36.9, 35.6, 34.4, 33.1, 32.0, 30.7],
            0.8,
        )
    };
    let rest = series(Quantity::Leak, "right", &[0.2; 7], 0.1);
    PaperYears {
        history: History {
            axis: Axis::Distance,
            series: vec![wear, rest, turned, depression],
            changes: vec![Change {
                visit: 4,
                touched: Touched::Stop,
                parts: vec!["right".into()],
                probability: 0.97,
                text: "the stop screw of right was turned by about 0.31 degrees of its plate"
                    .into(),
            }],
            notices: Vec::new(),
        },
        moved: Vec::new(),
        labels: (1..=7).map(|i| format!("job {i}")).collect(),
    }
}
