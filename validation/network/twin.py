"""A fired 270/450-degree twin as a Cantera reactor network: `python twin.py OUT_FOLDER`.

Writes a whole job (`job.toml`, `profile.toml`, recordings) and `truth.json` with what the network was
built with. Nothing here comes from the project's engine model: gas, reactors, piston work and integrator
(CVODES) are Cantera's; valve lift, heat release and heat passage are written down below.

For each cylinder: a store of air at ambient pressure and temperature, whose loss of mass is the drawn air;
a runner of constant volume with a wall that is warmer than the air; a cylinder under a slider crank, with
heat released after Wiebe and given to its walls; the exhaust at ambient pressure. Openings follow the orifice
law, backwards as well. Plate, bleed and idle valve are one area into each runner, the through-area. The
machine is invented.
"""

import json
import platform
import random
import sys
from datetime import date
from math import cos, exp, pi, sin, sqrt
from pathlib import Path

import cantera as ct

# The machine.
NAME = "Whimbrel 1040 (invented machine)"
BODIES = ("left", "right")
INTAKE_START_DEG = (0.0, 270.0)
BORE_M, STROKE_M, ROD_M, COMPRESSION = 0.0900, 0.0817, 0.1471, 10.4
RUNNER_M3 = 245e-6
# Valves: crank degrees after the top dead centre where the intake stroke starts, largest flow area.
INTAKE_OPENS, INTAKE_SHUTS, INTAKE_M2 = -14.0, 180.0 + 54.0, 520e-6
EXHAUST_OPENS, EXHAUST_SHUTS, EXHAUST_M2 = 540.0 - 52.0, 720.0 + 16.0, 430e-6
# Heat: Wiebe function, heat for each kilogram of drawn air, scatter from cycle to cycle (1 sd).
BURN_FROM, BURN_DEG, WIEBE_A, WIEBE_M = 340.0, 58.0, 5.0, 2.0
HEAT_J_KG, HEAT_SCATTER = 2.3e6, 0.07
# Walls: coefficient [W/(m2 K)], area, temperature.
RUNNER_WALL = (40.0, 0.022, 335.0)
CYLINDER_WALL = (180.0, 0.019, 430.0)
# The day.
AMBIENT_PA, AMBIENT_K = 98_400.0, 294.15
# Speed wanders by this share, once in this time [s].
SPEED_SHARE, SPEED_PERIOD_S = 0.004, 1.7
# Condition, 1/min, through-areas left and right [mm2], samples a second.
POINTS = (
    ("idle-bleeds-shut", 1250.0, 7.10, 6.20, 1000),
    ("idle", 1250.0, 7.60, 9.50, 1000),
    ("sweep", 1900.0, 11.60, 10.10, 2000),
    ("sweep", 2700.0, 15.40, 17.20, 2000),
    ("hold", 3800.0, 24.10, 21.60, 2000),
)
SETTLING_CYCLES, CYCLES = 25, 56
SEED = 20_251
RTOL, ATOL, LONGEST_DEG = 1e-8, 1e-14, 4.0

AREA_M2, HALF_M = pi / 4 * BORE_M**2, STROKE_M / 2
SWEPT_M3 = AREA_M2 * STROKE_M
GAMMA, GAMMA_BURNED = 1.4, 1.33
AIR = {"N2": 0.7808, "O2": 0.2095, "AR": 0.0097}


def air_yaml():
    """Air as one species: Cantera's own polynomials of its parts, mixed by mole fraction."""
    parts = {s.name: s for s in ct.Species.list_from_file("air.yaml") if s.name in AIR}
    # Cantera lists the temperature where the ranges meet, the upper polynomial, the lower one.
    rows = {name: [float(x) for x in parts[name].thermo.coeffs] for name in AIR}
    middle = rows["N2"][0]
    assert all(row[0] == middle for row in rows.values())
    mixed = [sum(share * rows[name][i] for name, share in AIR.items()) for i in range(15)]
    high, low = mixed[1:8], mixed[8:15]
    molar = sum(share * parts[name].molecular_weight for name, share in AIR.items())
    return f"""
units: {{length: m, mass: kg, time: s, quantity: kmol, energy: J}}
elements: [{{symbol: Ai, atomic-weight: {molar!r}}}]
phases:
- {{name: air, thermo: ideal-gas, elements: [Ai], species: [air], state: {{T: {AMBIENT_K}, P: {AMBIENT_PA}}}}}
species:
- name: air
  composition: {{Ai: 1}}
  thermo:
    model: NASA7
    temperature-ranges: [200.0, {middle!r}, 6000.0]
    data: [{low!r}, {high!r}]
""", ct.gas_constant / molar


AIR_YAML, R = air_yaml()


def psi(r, g):
    """The orifice function; straight above 0.999, where its root has no slope for an integrator."""
    critical = (2 / (g + 1)) ** (g / (g - 1))
    if r > 0.999:
        return psi(0.999, g) * (1.0 - r) / 0.001
    r = max(r, critical)
    return r ** (1 / g) * sqrt(2 * g / (g - 1) * (1 - r ** ((g - 1) / g)))


def orifice(area_m2, p_pa, t_k, back_pa, back_t_k, g):
    """Mass flow through an opening, negative when it runs backwards [kg/s]."""
    if back_pa <= p_pa:
        return area_m2 * p_pa / sqrt(R * t_k) * psi(back_pa / p_pa, g)
    return -area_m2 * back_pa / sqrt(R * back_t_k) * psi(p_pa / back_pa, g)


def lift(deg, opens, shuts):
    """Flow area over the largest at a crank angle: a raised cosine."""
    part = ((deg - opens) % 720.0) / (shuts - opens)
    return 0.5 * (1.0 - cos(2.0 * pi * part)) if part < 1.0 else 0.0


class Shaft:
    """Crank angle and speed of the run, wandering slowly and smoothly."""

    def __init__(self, rpm):
        self.mean_rad_s = rpm * pi / 30.0
        self.w = 2.0 * pi / SPEED_PERIOD_S

    def deg(self, t):
        return (self.mean_rad_s * (t + SPEED_SHARE / self.w * sin(self.w * t))) * 180.0 / pi

    def rad_s(self, t):
        return self.mean_rad_s * (1.0 + SPEED_SHARE * cos(self.w * t))


class Cylinder:
    """Store of air, runner and cylinder of one body, with all that joins them."""

    def __init__(self, shaft, start_deg, area_m2, outside, draw):
        self.shaft, self.start_deg, self.area_m2, self.draw = shaft, start_deg, area_m2, draw
        self.gases = [ct.Solution(yaml=AIR_YAML) for _ in range(3)]
        self.store = ct.IdealGasConstPressureReactor(self.gases[0], clone=False)
        self.gases[1].TP = AMBIENT_K, 0.6 * AMBIENT_PA
        self.runner = ct.IdealGasReactor(self.gases[1], clone=False)
        self.chamber = ct.IdealGasReactor(self.gases[2], clone=False)
        self.store.volume = 0.05 * R * AMBIENT_K / AMBIENT_PA
        self.runner.volume = RUNNER_M3
        self.chamber.volume = self.volume_m3(0.0)
        # A first guess of the heat, until the first cycle has told the air.
        self.heat_j, self.cycle, self.store_kg = 250.0, None, 0.05
        warm = ct.Solution(yaml=AIR_YAML)
        warm.TP = RUNNER_WALL[2], AMBIENT_PA
        self.warm = ct.Reservoir(warm, clone=False)
        self.kept = [
            ct.Wall(self.chamber, outside, A=AREA_M2, velocity=self.piston_m_s),
            ct.Wall(outside, self.chamber, A=1.0, Q=self.heat_w),
            ct.Wall(self.warm, self.runner, A=RUNNER_WALL[1], U=RUNNER_WALL[0]),
        ]
        for a, b, flow in (
            (self.store, self.runner, self.through),
            (self.runner, self.chamber, self.intake),
            (self.chamber, outside, self.exhaust),
        ):
            self.kept.append(ct.MassFlowController(a, b, mdot=flow))
            self.kept.append(ct.MassFlowController(b, a, mdot=lambda t, flow=flow: -flow(t)))

    def deg(self, t):
        return self.shaft.deg(t) - self.start_deg

    def volume_m3(self, t):
        a = self.deg(t) * pi / 180.0
        down = HALF_M + ROD_M - HALF_M * cos(a) - sqrt(ROD_M**2 - (HALF_M * sin(a)) ** 2)
        return SWEPT_M3 / (COMPRESSION - 1.0) + AREA_M2 * down

    def piston_m_s(self, t):
        a = self.deg(t) * pi / 180.0
        s = sin(a)
        return self.shaft.rad_s(t) * HALF_M * s * (1.0 + HALF_M * cos(a) / sqrt(ROD_M**2 - (HALF_M * s) ** 2))

    def heat_w(self, t):
        gas_k = self.gases[2].T
        walls_w = CYLINDER_WALL[0] * CYLINDER_WALL[1] * (CYLINDER_WALL[2] - gas_k)
        x = (self.deg(t) % 720.0 - BURN_FROM) / BURN_DEG
        if not 0.0 < x < 1.0:
            return walls_w
        rate = WIEBE_A * (WIEBE_M + 1.0) * x**WIEBE_M * exp(-WIEBE_A * x ** (WIEBE_M + 1.0))
        share = 1.0 - exp(-WIEBE_A)
        return walls_w + self.heat_j * rate / share / BURN_DEG * self.shaft.rad_s(t) * 180.0 / pi

    def through(self, t):
        t_k, density = self.gases[1].TD
        return orifice(self.area_m2, AMBIENT_PA, AMBIENT_K, R * t_k * density, t_k, GAMMA)

    def intake(self, t):
        part = lift(self.deg(t), INTAKE_OPENS, INTAKE_SHUTS)
        if part == 0.0:
            return 0.0
        (t_k, density), (t_c_k, density_c) = self.gases[1].TD, self.gases[2].TD
        return orifice(INTAKE_M2 * part, R * t_k * density, t_k, R * t_c_k * density_c, t_c_k, GAMMA)

    def exhaust(self, t):
        part = lift(self.deg(t), EXHAUST_OPENS, EXHAUST_SHUTS)
        if part == 0.0:
            return 0.0
        t_k, density = self.gases[2].TD
        return orifice(EXHAUST_M2 * part, R * t_k * density, t_k, AMBIENT_PA, 900.0, GAMMA_BURNED)

    def turn_of_cycle(self, t):
        """Once a cycle, away from the burning: the heat of the next one from the air of the last."""
        cycle = int(self.deg(t) // 720.0)
        if cycle != self.cycle:
            left_kg = self.store.mass
            if self.cycle is not None:
                self.heat_j = HEAT_J_KG * (self.store_kg - left_kg) * (1.0 + HEAT_SCATTER * self.draw.gauss(0.0, 1.0))
            self.cycle, self.store_kg = cycle, left_kg


def run(rpm, areas_mm2, rate_per_s, seed):
    """Times [s] and pressures [kPa] of the recording, air for each cycle [mg], mean speed [1/min]."""
    shaft, draw = Shaft(rpm), random.Random(seed)
    outside_gas = ct.Solution(yaml=AIR_YAML)
    # What comes back through the exhaust valve is burned gas, not fresh air.
    outside_gas.TP = 900.0, AMBIENT_PA
    outside = ct.Reservoir(outside_gas, clone=False)
    twins = [Cylinder(shaft, s, 1e-6 * a, outside, draw) for s, a in zip(INTAKE_START_DEG, areas_mm2)]
    network = ct.ReactorNet([r for c in twins for r in (c.store, c.runner, c.chamber)])
    network.rtol, network.atol = RTOL, ATOL
    network.max_time_step = LONGEST_DEG / (6.0 * rpm)
    samples = int((SETTLING_CYCLES + CYCLES) * 120.0 / rpm * rate_per_s)
    from_sample = int(SETTLING_CYCLES * 120.0 / rpm * rate_per_s)
    times, pressures, masses = [], [], [[], []]
    for i in range(samples):
        t = (i + 1) / rate_per_s
        network.advance(t)
        for c in twins:
            c.turn_of_cycle(t)
        if i >= from_sample:
            times.append((i - from_sample) / rate_per_s)
            pressures.append([c.runner.phase.P / 1000.0 for c in twins])
            for c, kept in zip(twins, masses):
                kept.append((c.deg(t) / 720.0, c.store.mass))
    cycles = shaft.deg(samples / rate_per_s) - shaft.deg((from_sample + 1) / rate_per_s)
    seconds = (samples - from_sample - 1) / rate_per_s
    return times, pressures, [drawn_mg(kept) for kept in masses], cycles / 6.0 / seconds


def drawn_mg(kept):
    """Air for each cycle [mg]: loss of the store from the first to the last start of an intake stroke."""
    starts = []
    for (cycle_a, kg_a), (cycle_b, kg_b) in zip(kept, kept[1:]):
        if int(cycle_b) > int(cycle_a):
            # The runner is all but full here, so the mass between two samples is straight enough.
            part = (int(cycle_b) - cycle_a) / (cycle_b - cycle_a)
            starts.append((int(cycle_b), kg_a + part * (kg_b - kg_a)))
    (first, kg_first), (last, kg_last) = starts[0], starts[-1]
    return 1e6 * (kg_first - kg_last) / (last - first)


def write(out):
    """All recordings, the job around them and the truth."""
    out.mkdir(parents=True, exist_ok=True)
    (out / "profile.toml").write_text(PROFILE, encoding="utf-8")
    job, readings = [JOB], []
    for k, (condition, rpm, left, right, rate_per_s) in enumerate(POINTS):
        name = f"{k:02}_{condition}_{rpm:.0f}.csv"
        times, pressures, air_mg, speed = run(rpm, (left, right), rate_per_s, SEED + k)
        with (out / name).open("w", encoding="utf-8") as file:
            file.write("time_s,left_kpa,right_kpa\n")
            for t, (a, b) in zip(times, pressures):
                file.write(f"{t:.4f},{a:.3f},{b:.3f}\n")
        bleeds = "bleed_turns = { left = 0.0, right = 0.0 }\n" if condition == "idle-bleeds-shut" else ""
        job.append(f'[[reading]]\ncondition = "{condition}"\nrecording = "{name}"\nengine_c = 80\n{bleeds}')
        means = [AMBIENT_PA / 1000.0 - sum(p[i] for p in pressures) / len(pressures) for i in (0, 1)]
        readings.append(
            {
                "condition": condition,
                "rpm": round(speed, 3),
                "through_area_mm2": [left, right],
                "drawn_air_mg": [round(x, 4) for x in air_mg],
                "mean_depression_kpa": [round(x, 4) for x in means],
            }
        )
        print(name, readings[-1], file=sys.stderr)
    (out / "job.toml").write_text("".join(job), encoding="utf-8")
    constants = {k: v for k, v in globals().items() if k.isupper() and isinstance(v, int | float | tuple | dict)}
    truth = {
        "made_by": "validation/network/twin.py",
        "cantera": ct.__version__,
        "python": platform.python_version(),
        "date": date.today().isoformat(),
        "crossed": False,
        "parameters": constants,
        "readings": readings,
    }
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


PROFILE = f"""\
format = "evenpull.profile/1"
name = "{NAME}"
[engine]
cylinders = ["left", "right"]
displacement_cc = {SWEPT_M3 * 1e6:.1f}
compression_ratio = {COMPRESSION}
rod_to_crank = {ROD_M / HALF_M:.3f}
intake_start_deg = [0.0, 270.0]
idle_rpm = 1250.0
inlet_opens_btdc_deg = {-INTAKE_OPENS}
inlet_closes_abdc_deg = {INTAKE_SHUTS - 180.0}
exhaust_opens_bbdc_deg = {540.0 - EXHAUST_OPENS}
exhaust_closes_atdc_deg = {EXHAUST_SHUTS - 720.0}
[body]
bore_mm = 45.0
runner_cc = {RUNNER_M3 * 1e6:.1f}
[bleed]
area_mm2_per_turn = 2.0
[balance]
adjuster = "balance screw"
follows = "left"
deg_per_turn = 0.9
"""
JOB = f"""\
format = "evenpull.job/1"
profile = "profile.toml"
machine = "{NAME}"
[ambient]
pressure_kpa = {AMBIENT_PA / 1000.0}
temperature_c = {AMBIENT_K - 273.15:.2f}
key_off_kpa = {{ left = {AMBIENT_PA / 1000.0}, right = {AMBIENT_PA / 1000.0} }}
"""

if __name__ == "__main__":
    write(Path(sys.argv[1]))
