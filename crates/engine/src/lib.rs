//! Crank-resolved engine and the sensor chain behind it.
