"""The motored four-stroke with scipy's solve_ivp, method LSODA: `motored_scipy.py RTOL`.

Four unknowns leave nothing to vectorise: plain floats beat arrays of length four several times. The
throttle, open all the time, is written out in place of a call. One integration over all cycles: restarts
at the valve events cost LSODA more (its order starts at one) than finding the kinks by itself.
"""

import sys
from math import cos, pi, sin, sqrt

from scipy.integrate import solve_ivp

import motored_case as case
from motored_case import flow_kg_s

W = 1.0 / case.RAD_PER_S
THROTTLE = case.THROTTLE_M2 * case.AMBIENT_PA / sqrt(case.R * case.AMBIENT_K)


def slope(theta, y, *, CP=case.CP, R=case.R, P0=case.AMBIENT_PA, T0=case.AMBIENT_K, A=case.HALF_M, ROD2=case.ROD_M**2,
          ROD=case.ROD_M, PISTON=case.PISTON_M2, CLEARANCE=case.CLEARANCE_M3, CYCLE=case.CYCLE_RAD,
          INTAKE=case.INTAKE_M2, SHUTS=case.INTAKE_SHUTS_RAD, EXHAUST=case.EXHAUST_M2, OPENS=case.EXHAUST_OPENS_RAD,
          EXHAUST_RAD=case.EXHAUST_RAD, PER_RUNNER=0.4 / case.RUNNER_M3, PER_CV=1.0 / case.CV, CRITICAL=case.CRITICAL,
          CHOKED=case.CHOKED, LINEAR=case.LINEAR, LINEAR_SLOPE=case.LINEAR_SLOPE, POWER=case.POWER):
    """d(m, U of the runner, m, U of the cylinder)/d(theta), theta in radians."""
    m, u, m_c, u_c = y.tolist()
    p, t = u * PER_RUNNER, u / m * PER_CV
    phi = theta % CYCLE
    sine, cosine = sin(phi), cos(phi)
    root = sqrt(ROD2 - A * A * sine * sine)
    p_c = u_c * 0.4 / (CLEARANCE + PISTON * (A * (1.0 - cosine) + ROD - root))
    power = p_c * PISTON * A * sine * (1.0 + A * cosine / root)

    if p <= P0:
        r = p / P0
        if r <= CRITICAL:
            dm = THROTTLE * CHOKED
        elif r > LINEAR:
            dm = THROTTLE * LINEAR_SLOPE * (1.0 - r)
        else:
            s = r**POWER
            dm = THROTTLE * s * s * sqrt(7.0 * s * (1.0 - s))
        du = dm * CP * T0
    else:
        dm = flow_kg_s(case.THROTTLE_M2, P0, T0, p, t)
        du = dm * CP * t
    if phi < SHUTS:
        t_c = u_c / m_c * PER_CV
        q = flow_kg_s(INTAKE * sin(pi * phi / SHUTS), p, t, p_c, t_c)
        h = q * CP * (t if q >= 0.0 else t_c)
        return [(dm - q) * W, (du - h) * W, q * W, h * W - power]
    if phi > OPENS:
        t_c = u_c / m_c * PER_CV
        q = flow_kg_s(EXHAUST * sin(pi * (phi - OPENS) / EXHAUST_RAD), p_c, t_c, P0, T0)
        h = q * CP * (t_c if q >= 0.0 else T0)
        return [dm * W, du * W, -q * W, -h * W - power]
    return [dm * W, du * W, 0.0, -power]


def solve(rtol):
    density = case.AMBIENT_PA / (case.R * case.AMBIENT_K)
    energy = case.CV * case.AMBIENT_K
    start = [density * case.RUNNER_M3, density * case.RUNNER_M3 * energy]
    start += [density * case.CLEARANCE_M3, density * case.CLEARANCE_M3 * energy]
    found = solve_ivp(slope, (0.0, case.AT_RAD[-1]), start, method="LSODA", t_eval=case.AT_RAD, rtol=rtol,
                      atol=[rtol * value for value in start])
    return found.y[1] * 0.4 / case.RUNNER_M3


if __name__ == "__main__":
    case.report(lambda: solve(float(sys.argv[1])))
