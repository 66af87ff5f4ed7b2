"""Reads a recording with pandas: `with_pandas.py RECORDING AMBIENT_KPA`."""

import sys

import pandas as pd

import refill

table = pd.read_csv(sys.argv[1], engine="c", dtype="float64")
refill.read(
    table["time_s"].to_numpy(),
    {"left": table["left_kpa"].to_numpy(), "right": table["right_kpa"].to_numpy()},
    float(sys.argv[2]),
)
