//! One file per source.

mod air;
mod amc1989;
mod bergh1965;
mod cipm2007;
mod crank;
mod crossley1991;
mod cycle;
mod datasheet;
mod gum2008;
mod harrington1968;
mod heywood1988;
mod iso2533;
mod iso6358;
mod jets;
mod naca1135;
mod nisthandbook;
mod nistlinear;
mod nistsp811;
mod niststrd;
mod posteriordb;
mod tank;
mod vehtari2021;

use crate::case::Case;

/// Every comparison, in the order of the table.
pub fn all() -> Vec<Case> {
    let mut cases = vec![
        naca1135::isentropic_relations(),
        naca1135::flow_function(),
        naca1135::critical_ratio(),
        iso6358::sonic_conductance(),
        iso2533::pressure(),
        iso2533::temperature_and_density(),
        cipm2007::moist_air_density(),
        nistsp811::pressure_units(),
        nistsp811::thou(),
        heywood1988::plate_area(),
        heywood1988::plate_opening(),
        harrington1968::discharge(),
        crossley1991::throttle_shape(),
        tank::adiabatic(),
        tank::isothermal(),
        tank::choked_flow(),
        tank::choking_ends(),
        bergh1965::lossless_peak(),
        bergh1965::viscous_peak(),
        bergh1965::helmholtz(),
        jets::areas(),
        datasheet::ratiometric(),
        vehtari2021::r_hat(),
        vehtari2021::bulk(),
        vehtari2021::tail(),
        vehtari2021::mcse(),
        posteriordb::eight_schools(),
        gum2008::thermometer(),
        gum2008::correlation(),
        amc1989::copper(),
        nistlinear::norris(),
        nisthandbook::quantiles(),
        nisthandbook::tails(),
        air::saturation(),
        air::standard_viscosity(),
        air::viscosity(),
        air::standard_sound(),
        air::sound(),
        air::energy(),
        crank::travel(),
        cycle::pressure(),
        cycle::mean(),
        cycle::air(),
        cycle::work(),
    ];
    cases.extend(niststrd::lower());
    cases.extend(niststrd::average());
    cases.extend(niststrd::higher());
    cases
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    const BIB: &str = include_str!("../refs.bib");

    #[test]
    fn names_are_unique_and_sources_are_listed() {
        let cases = super::all();
        let names: HashSet<_> = cases.iter().map(|c| c.name).collect();
        assert_eq!(names.len(), cases.len());
        for case in cases {
            assert!(
                BIB.contains(&format!("{{{},", case.source)),
                "{} not in refs.bib",
                case.source
            );
            assert!(
                !case.reason.is_empty() && !case.points.is_empty(),
                "{}",
                case.name
            );
        }
    }
}
