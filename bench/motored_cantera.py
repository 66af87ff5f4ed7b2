"""The motored four-stroke as a Cantera reactor network: `motored_cantera.py RTOL MAX_STEP_S`.

Runner and cylinder are IdealGasReactors, the piston a Wall with a velocity, the openings pairs of
MassFlowControllers (one cannot run backwards) whose callbacks hold the flow law: Cantera's Valve knows the
pressure difference alone. The callbacks read temperature and density in one call each. Extensible reactors
with the flows in `after_eval` came out a third slower.
"""

import sys
from math import cos, pi, sin, sqrt

import cantera as ct

import motored_case as case
from motored_case import flow_kg_s

MOLAR = ct.gas_constant / case.R
AIR = f"""
units: {{length: m, mass: kg, time: s, quantity: kmol, energy: J}}
elements: [{{symbol: Ai, atomic-weight: {MOLAR!r}}}]
phases:
- {{name: air, thermo: ideal-gas, elements: [Ai], species: [air], state: {{T: {case.AMBIENT_K}, P: {case.AMBIENT_PA}}}}}
species:
- name: air
  composition: {{Ai: 1}}
  thermo: {{model: constant-cp, T0: 300.0, h0: {case.CP * 300.0 * MOLAR!r}, s0: 0.0, cp0: {case.CP * MOLAR!r}}}
"""
ATOL = 1e-12
IN_RUNNER, IN_CYLINDER, AMBIENT = (ct.Solution(yaml=AIR) for _ in range(3))


def piston_m_s(t, *, W=case.RAD_PER_S, A=case.HALF_M, ROD2=case.ROD_M**2):
    sine, cosine = sin(W * t), cos(W * t)
    return W * A * sine * (1.0 + A * cosine / sqrt(ROD2 - A * A * sine * sine))


def throttle(t):
    t_k, density = IN_RUNNER.TD
    return flow_kg_s(case.THROTTLE_M2, case.AMBIENT_PA, case.AMBIENT_K, case.R * t_k * density, t_k)


def intake(t, *, W=case.RAD_PER_S, CYCLE=case.CYCLE_RAD, SHUTS=case.INTAKE_SHUTS_RAD, R=case.R):
    phi = W * t % CYCLE
    if phi >= SHUTS:
        return 0.0
    t_k, density = IN_RUNNER.TD
    t_c_k, density_c = IN_CYLINDER.TD
    return flow_kg_s(case.INTAKE_M2 * sin(pi * phi / SHUTS), R * t_k * density, t_k, R * t_c_k * density_c, t_c_k)


def exhaust(t, *, W=case.RAD_PER_S, CYCLE=case.CYCLE_RAD, OPENS=case.EXHAUST_OPENS_RAD, R=case.R):
    phi = W * t % CYCLE
    if phi <= OPENS:
        return 0.0
    t_k, density = IN_CYLINDER.TD
    area_m2 = case.EXHAUST_M2 * sin(pi * (phi - OPENS) / case.EXHAUST_RAD)
    return flow_kg_s(area_m2, R * t_k * density, t_k, case.AMBIENT_PA, case.AMBIENT_K)


def solve(rtol, longest_s):
    for gas in (IN_RUNNER, IN_CYLINDER, AMBIENT):
        gas.TP = case.AMBIENT_K, case.AMBIENT_PA
    outside = ct.Reservoir(AMBIENT, clone=False)
    runner, cylinder = (ct.IdealGasReactor(gas, clone=False) for gas in (IN_RUNNER, IN_CYLINDER))
    runner.volume, cylinder.volume = case.RUNNER_M3, case.CLEARANCE_M3
    kept = [ct.Wall(cylinder, outside, A=case.PISTON_M2, velocity=piston_m_s)]
    for a, b, flow in ((outside, runner, throttle), (runner, cylinder, intake), (cylinder, outside, exhaust)):
        kept.append(ct.MassFlowController(a, b, mdot=flow))
        kept.append(ct.MassFlowController(b, a, mdot=lambda t, flow=flow: -flow(t)))
    network = ct.ReactorNet([runner, cylinder])
    network.rtol, network.atol, network.max_time_step = rtol, ATOL, longest_s
    runner_pa = []
    for at_rad in case.AT_RAD:
        network.advance(at_rad / case.RAD_PER_S)
        runner_pa.append(IN_RUNNER.P)
    return runner_pa


if __name__ == "__main__":
    case.report(lambda: solve(float(sys.argv[1]), float(sys.argv[2])))
