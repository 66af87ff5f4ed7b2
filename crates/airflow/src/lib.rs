//! Gas, orifice, plate, ambient air, hose and units.
