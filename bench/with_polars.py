"""Reads a recording with polars: `with_polars.py RECORDING AMBIENT_KPA`."""

import sys

import polars as pl

import refill

table = pl.read_csv(sys.argv[1], schema={name: pl.Float64 for name in ("time_s", "left_kpa", "right_kpa")})
refill.read(
    table["time_s"].to_numpy(),
    {"left": table["left_kpa"].to_numpy(), "right": table["right_kpa"].to_numpy()},
    float(sys.argv[2]),
)
