//! scratch
fn main() {
    for a in std::env::args().skip(1) {
        let t = std::time::Instant::now();
        let o = evenpull_app::assess(std::path::Path::new(&a), &mut |_, _| {}).unwrap();
        let x = o.assessment;
        println!("== {a} {:?} undetermined {}", t.elapsed(), x.undetermined);
        for c in &x.causes {
            println!(
                "  {:.3} {:?} {:?} {:?}\n     + {:?}\n     - {:?}",
                c.probability, c.code, c.members, c.body, c.evidence_for, c.evidence_against
            );
        }
        println!("  next {:?}", x.next_reading.map(|n| n.what));
        for b in &x.bodies {
            println!(
                "  {} offset {:.2} [{:.2},{:.2}] leak {:.2} [{:.2},{:.2}] bleed {:.2} [{:.2},{:.2}]",
                b.body,
                b.offset_deg.value,
                b.offset_deg.lo90,
                b.offset_deg.hi90,
                b.leak_mm2.value,
                b.leak_mm2.lo90,
                b.leak_mm2.hi90,
                b.bleed_mm2.value,
                b.bleed_mm2.lo90,
                b.bleed_mm2.hi90
            );
        }
        println!("  diff {:?}", x.difference);
        for s in &x.advice {
            println!(
                "  do {} {:?} {} spread {:?}",
                s.adjuster, s.turns, s.way, s.predicted_spread
            );
        }
        println!("  baseline {:?}", x.baseline);
        for f in x
            .fuelling
            .iter()
            .filter(|f| [0.5, 2.0, 5.0, 20.0].contains(&f.opening_deg))
        {
            print!(
                "  {} {} {:+.1}[{:+.1},{:+.1}]",
                f.body,
                f.opening_deg,
                f.air_error_percent.value,
                f.air_error_percent.lo90,
                f.air_error_percent.hi90
            );
        }
        println!(
            "\n  notices {:?}",
            x.notices
                .iter()
                .map(|n| format!("{}: {}", n.code, n.text))
                .collect::<Vec<_>>()
        );
    }
}
