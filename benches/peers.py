"""General libraries of another language at the benchmarks' work, timed here and told as JSON.

Called by `circuit` and `bodies`, which hand over the very numbers they use and print the ratios. Needs SciPy and MuJoCo:
set PEERS_PYTHON to an interpreter that has them.
"""

import json
import math
import sys
import time


def circuit(given):
    """A second of the fluid circuit by LSODA: begun anew every tick, and in one go. Times in s, best of three."""
    from scipy.integrate import odeint

    p, y0, ticks, tick_s = given["plumbing"], given["start"], given["ticks"], given["tick_s"]
    low, reference, ln10 = 666.611937075, 1999.835811225, math.log(10)
    lowest = math.log(low / reference)

    def coats(wider, rigidity):
        x = wider * rigidity * ln10
        return low * (1 + x - lowest) if x < lowest else reference * math.exp(x)

    k, behind, port = p["rigidity_per_ul"], p["posterior_share"], 1e-3 / (2 * (0.6 * p["open_mm2"]) ** 2)

    def slope(y, _):
        chamber, vitreous = coats(y[0] + y[1], k / (1 - behind)), coats(-y[1], k / behind)
        beyond = y[2] + p["limit_pa"]
        if p["is_vacuum_set"]:
            pumped = (y[2] - y[3]) / p["pump_pa_s_ul"]
        elif beyond < 0:
            pumped = beyond / p["vent_pa_s_ul"]
        else:
            pumped = min(beyond / p["pump_pa_s_ul"], p["flow_ul_s"])
        return (
            y[4] - y[5] - p["leak_ul_s_pa"] * max(chamber, 0.0),
            (vitreous - chamber - p["elastance_pa_ul"] * y[1]) / p["diaphragm_pa_s_ul"],
            (y[5] - pumped) / p["line_ul_pa"],
            (-p["limit_pa"] - y[3]) / p["cassette_s"],
            (p["bottle_pa"] - chamber - p["infusion_pa_s_ul"] * y[4]) / p["infusion_pa_s2_ul"],
            (chamber - y[2] - p["aspiration_pa_s_ul"] * y[5] - port * y[5] * abs(y[5])) / p["aspiration_pa_s2_ul"],
        )

    def solve(times, y):
        return odeint(slope, y, times, rtol=1e-8, atol=1e-8, mxstep=100_000)[-1]

    def restarted():
        y = y0
        for _ in range(ticks):
            y = solve([0.0, tick_s], y)
        return y

    def best(work):
        times = []
        for _ in range(3):
            begun = time.perf_counter()
            y = work()
            times.append(time.perf_counter() - begun)
        return min(times), y

    restarted_s, y = best(restarted)
    in_one_go_s, _ = best(lambda: solve([0.0, ticks * tick_s], y0))
    return {"restarted_s": restarted_s, "in_one_go_s": in_one_go_s, "end_pa": coats(y[0] + y[1], k / (1 - behind))}


def bodies(given):
    """Hulls in a bag of planes by MuJoCo, kept awake: middle time of a tick of as many sub-steps, µs, and contacts."""
    import mujoco
    import numpy

    bag, substeps = given["bag"], given["substeps"]
    density = given["density_g_ul"]

    def mesh(i, points):
        return f'<mesh name="m{i}" vertex="{" ".join(f"{x:.6f}" for p in points for x in p)}"/>'

    def body(i):
        return f'<body><freejoint/><geom type="mesh" mesh="m{i}" density="{density}" friction="0.07 0 0" condim="3"/></body>'

    planes = []
    for i in range(24):
        # Evenly over the sphere, on the ellipsoid's surface, looking in.
        z = 1 - 2 * (i + 0.5) / 24
        r, turn = math.sqrt(1 - z * z), i * math.pi * (3 - math.sqrt(5))
        n = numpy.array([r * math.cos(turn), r * math.sin(turn), z])
        depth = bag["back_mm"] if z < 0 else bag["front_mm"]
        half = numpy.array([bag["radius_mm"], bag["radius_mm"], depth])
        at = n * half * half / numpy.linalg.norm(n * half)
        planes.append(f'<geom type="plane" size="9 9 1" pos="{at[0]} {at[1]} {at[2]}" zaxis="{-n[0]} {-n[1]} {-n[2]}" friction="0.07 0 0"/>')
    hulls = given["hulls"]
    xml = (
        f'<mujoco><option timestep="{given["tick_s"] / substeps}" gravity="0 0 -600" integrator="implicitfast"/>'
        f'<asset>{"".join(mesh(i, h) for i, h in enumerate(hulls))}</asset>'
        f'<worldbody>{"".join(planes)}{"".join(body(i) for i in range(len(hulls)))}</worldbody></mujoco>'
    )
    model = mujoco.MjModel.from_xml_string(xml)
    data = mujoco.MjData(model)
    times, contacts = [], []
    for tick in range(480):
        for i in range(len(hulls)):
            turn = 0.1 * tick + i
            pull = model.body_mass[i + 1] * 1000
            data.xfrc_applied[i + 1, :3] = [pull * math.cos(turn), pull * math.sin(turn), 0.5 * pull * math.sin(0.7 * turn)]
        begun = time.perf_counter()
        mujoco.mj_step(model, data, substeps)
        times.append(time.perf_counter() - begun)
        contacts.append(data.ncon)
    return {"tick_us": 1e6 * sorted(times)[len(times) // 2], "contacts": sorted(contacts)[len(contacts) // 2]}


if __name__ == "__main__":
    print(json.dumps({"circuit": circuit, "bodies": bodies}[sys.argv[1]](json.load(sys.stdin))))
