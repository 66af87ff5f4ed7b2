"""The posterior of a twin's job by scipy and emcee: mode by least squares, draws by an ensemble of walkers.

Reads the numbers of `plain_posterior`, spreads among them, and prints what a draw costs, as JSON, one hypothesis a
line. The residuals are those of crates/diagnose/src/residuals.rs, written over arrays: one row for each walker, so
that numpy works on all of them at once. They must give the chi-squares that came with the numbers, or nothing is measured.
"""

import json
import sys
import time

import emcee
import numpy as np
from scipy.optimize import least_squares

# Steps over the autocorrelation time that make an estimate of it (the library's own advice), and a limit.
LONG_ENOUGH = 50
MOST_SECONDS = 150.0


def depression(law, area_mm2):
    """Depression [kPa] at a through-area: Hermite's cubic between the law's nodes, straight beyond."""
    nodes = np.array(law["nodes"])
    x = (np.log(np.maximum(area_mm2, 1e-3)) - law["ln_low"]) / law["step"]
    last = len(nodes) - 1
    i = np.clip(x.astype(int), 0, last - 1)
    t = np.clip(x, 0.0, last) - i
    (a, da), (b, db) = nodes[i].T, nodes[i + 1].T
    cubic = a * (2 * t**3 - 3 * t**2 + 1) + da * (t**3 - 2 * t**2 + t) + b * (3 * t**2 - 2 * t**3) + db * (t**3 - t**2)
    beyond = np.minimum(x, 0.0) * nodes[0, 1] + np.maximum(x - last, 0.0) * nodes[-1, 1]
    return cubic + beyond


class Posterior:
    def __init__(self, case, hypothesis):
        self.machine = case["machine"]
        self.constants = case["constants"]
        self.readings = case["readings"]
        self.needed_mm2 = case["needed_mm2"]
        self.suspect = hypothesis["suspect"]
        unknowns = hypothesis["unknowns"]
        self.place = {u["name"]: i for i, u in enumerate(unknowns)}
        column = lambda key: np.array([u[key] for u in unknowns])
        self.mean, self.sd, self.lo, self.hi = map(column, ("mean", "sd", "lo", "hi"))
        self.free = np.flatnonzero(self.lo < self.hi)
        self.opening, self.cd = np.array(self.machine["discharge"]).T

    def larger(self, a, b):
        return 0.5 * (a + b + np.sqrt((a - b) ** 2 + self.constants["corner_deg"] ** 2))

    def full(self, x):
        p = np.tile(self.mean, (len(x), 1))
        p[:, self.free] = x
        return p

    def plate_mm2(self, p, opening_deg):
        m = self.machine
        psi0 = np.radians(m["shut_angle_deg"] + self.of(p, "shut_deg"))
        a = m["spindle_mm"] / m["bore_mm"]
        # Openings of steady readings stay far below the angle from which the plate stands free.
        psi = psi0 + np.radians(np.maximum(opening_deg, 0.0))
        c, c0 = np.cos(psi), np.cos(psi0)
        q = np.minimum(a * c0 / c, 1.0)
        shape = (1.0 - c / c0) + 2.0 / np.pi * (
            a / c * np.sqrt(np.maximum(c * c - a * a * c0 * c0, 0.0))
            + c / c0 * np.arcsin(q)
            - a * np.sqrt(1.0 - a * a)
            - np.arcsin(a)
        )
        area = 0.25 * np.pi * m["bore_mm"] ** 2 * shape
        through = np.where(opening_deg < 0.0, 0.5 * opening_deg, np.interp(opening_deg, self.opening, self.cd) * area)
        return np.exp(self.of(p, "ln_discharge")) * through

    def of(self, p, name):
        return p[:, self.place[name]]

    def openings_deg(self, p, j):
        m = self.machine
        drive, driven = m["driver"], m["driven"]
        held = [self.of(p, f"stop_deg.{b}") + self.of(p, "stops_deg") + m["stop_opening_deg"] for b in range(2)]
        link = self.of(p, "link_deg.0")
        if m["rigid"]:
            held[drive] = self.larger(held[drive], held[driven] - link)
        command = self.place.get(f"command_deg.{j}")
        if command is not None:
            held[drive] = self.larger(held[drive], p[:, command])
        carried = held[drive] + link
        held[driven] = carried if m["rigid"] else self.larger(held[driven], carried)
        return held

    def areas_mm2(self, p, j, open_deg):
        m, r = self.machine, self.readings[j]
        valve = np.exp(self.of(p, "ln_valve")) * r["steps"] * m["valve_mm2_per_step"] / 2.0
        out = []
        for b in range(2):
            leak = self.of(p, f"leak_mm2.{b}")
            if self.suspect == b:
                leak = leak * (self.of(p, f"jitter.{j}") + 1.0)
            bleed = np.exp(self.of(p, f"ln_bleed.{b}")) * r["bleed_turns"][b] * m["bleed_mm2_per_turn"]
            out.append(self.plate_mm2(p, open_deg[b]) + leak + bleed + valve)
        return out

    def residuals(self, p):
        m, k, rows = self.machine, self.constants, []
        travel = m["valve_steps"]
        full_mm2 = travel * m["valve_mm2_per_step"]
        for j, r in enumerate(self.readings):
            open_deg = self.openings_deg(p, j)
            area = self.areas_mm2(p, j, open_deg)
            needed = self.of(p, "need") * full_mm2 + self.needed_mm2
            scale = self.of(p, "ln_scale") + self.of(p, "tilt") * np.log(r["rpm"] / m["idle_rpm"])
            off, sd = [], []
            for b in range(2):
                value, own, by_zero = r["ln_area"][b]
                instrument = self.of(p, f"ln_gain.{b}") + by_zero * self.of(p, f"sensor_kpa.{b}")
                heated = np.maximum(area[b] + self.of(p, "heat_mm2"), 1e-3)
                off.append(value - scale - instrument - np.log(heated))
                sd.append(np.hypot(own, k["pair_sd"]))
            mean = 0.5 * (off[0] + off[1])
            rows += [(off[0] - mean) / sd[0], (off[1] - mean) / sd[1]]
            rows.append(mean / np.hypot(0.5 * np.hypot(*sd), k["common_sd"]))
            moved = open_deg[m["sensor_body"]] - m["stop_opening_deg"]
            volts = moved * m["volts_per_deg"] + self.of(p, "zero_v") + m["volts_at_stop"]
            rows.append((r["sensor_v"] - volts) / k["sensor_sd_v"])
            end = k["valve_end"] * travel
            at_end = -1 if r["steps"] <= end else 1 if r["steps"] >= travel - end else 0
            both = area[0] + area[1]
            if r["at_stop"] and r["steps_read"]:
                more = (needed - both) / (np.exp(self.of(p, "ln_valve")) * m["valve_mm2_per_step"])
                more = np.maximum(more, 0.0) if at_end < 0 else np.minimum(more, 0.0) if at_end > 0 else more
                rows.append(more / (k["steps_sd"] * travel))
            if r["at_stop"]:
                ln = np.log(r["rpm"] / m["idle_rpm"])
                if at_end:
                    given = np.maximum(both / needed, 0.05)
                    rows.append((ln - np.log(given)) / np.hypot(k["speed_sd"], k["speed_slope_sd"] * ln))
                else:
                    rows.append(np.full(len(p), ln / max(m["idle_tolerance_rpm"] / m["idle_rpm"], k["least_speed_tolerance"])))
            read = np.array(r["recorded_kpa"])
            apart = read[1] - read[0]
            expected = np.exp(self.of(p, "ln_slope")) * (depression(r["law"], area[1]) - depression(r["law"], area[0]))
            own = self.of(p, "sensor_kpa.1") + self.of(p, "breathing_kpa.1")
            rows.append((own - expected + apart) / np.hypot(k["reading_sd_kpa"], k["slope_change"] * apart))
            if r["gauge_kpa"]:
                gauges = r["gauge_kpa"][1] - r["gauge_kpa"][0] - self.of(p, "gauge_kpa.1")
                rows.append((gauges - apart) / np.hypot(k["gauge_sd_kpa"], k["zeros_apart_kpa"]))
        rows.append(self.of(p, "need") / k["valve_place_sd"])
        priors = ((p - self.mean) / self.sd)[:, self.free]
        return np.column_stack(rows + [priors])

    def ln_density(self, x):
        inside = np.all((x >= self.lo[self.free]) & (x <= self.hi[self.free]), axis=1)
        chi2 = (self.residuals(self.full(x)) ** 2).sum(axis=1)
        return np.where(inside & np.isfinite(chi2), -0.5 * chi2, -np.inf)

    def told(self, x):
        """What the answer reports: plates with the throttle shut, leaks, bleeds, link, sensor zero."""
        p = self.full(x)
        names = ["leak_mm2.0", "leak_mm2.1", "ln_bleed.0", "ln_bleed.1", "link_deg.0", "zero_v", "ln_scale"]
        return np.column_stack(self.openings_deg(p, -1) + [self.of(p, n) for n in names])


def check(posterior, hypothesis):
    for point in hypothesis["checks"]:
        found = (posterior.residuals(np.array([point["point"]])) ** 2).sum()
        if not np.isclose(found, point["chi2"], rtol=1e-7, atol=1e-7):
            sys.exit(f"not the same posterior: chi-square {found}, {point['chi2']} expected")


def measure(posterior, seed):
    rng = np.random.default_rng(seed)
    lo, hi, sd = (v[posterior.free] for v in (posterior.lo, posterior.hi, posterior.sd))
    one = lambda x: posterior.residuals(posterior.full(x[None, :]))[0]
    began = time.perf_counter()
    start = np.clip(posterior.mean[posterior.free], lo + 1e-9, hi - 1e-9)
    mode = least_squares(one, start, bounds=(lo, hi), x_scale=sd)
    mode_s = time.perf_counter() - began
    spread = np.linalg.inv(mode.jac.T @ mode.jac)
    dim = len(lo)
    walkers = 4 * dim
    at = np.clip(rng.multivariate_normal(mode.x, spread, walkers), lo + 1e-6, hi - 1e-6)
    np.random.seed(seed)
    sampler = emcee.EnsembleSampler(walkers, dim, posterior.ln_density, vectorize=True)
    began = time.perf_counter()
    tau, steps, state = np.inf, 0, at
    while steps < LONG_ENOUGH * tau and time.perf_counter() - began < MOST_SECONDS:
        state = sampler.run_mcmc(state, 2000)
        steps += 2000
        chain = sampler.get_chain(discard=steps // 5)
        told = posterior.told(chain.reshape(-1, dim)).reshape(len(chain), walkers, -1)
        tau = emcee.autocorr.integrated_time(told, quiet=True, tol=0).max()
    # The estimates of the time are the measurement's, not the sampler's.
    began = time.perf_counter()
    sampler.run_mcmc(state, 500)
    step_s = (time.perf_counter() - began) / 500
    return {
        "mode_s": mode_s,
        "mode_chi2": 2.0 * mode.cost,
        "step_s": step_s,
        "tau": tau,
        "walkers": walkers,
        "steps": steps,
        "long_enough": bool(steps >= LONG_ENOUGH * tau),
        "per_effective_s": step_s * tau / walkers,
        "burn_in_s": 5.0 * tau * step_s,
    }


def main():
    case = json.load(open(sys.argv[1]))
    for k, hypothesis in enumerate(case["hypotheses"]):
        posterior = Posterior(case, hypothesis)
        check(posterior, hypothesis)
        found = measure(posterior, k)
        print(json.dumps({"name": hypothesis["name"], "weight": hypothesis["weight"], **found}), flush=True)


if __name__ == "__main__":
    main()
