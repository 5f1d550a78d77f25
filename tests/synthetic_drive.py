"""A drive made up apart from the package: holds, moves, a damper, a late sensor; its truth is known.

Shares no line with the library.  Lambda is a smooth function of speed and load; each visit of a hold has an
offset of its own, samples wander inside it, and the sensor adds white noise.
"""

from __future__ import annotations

import numpy as np

import needlecalc as nc

LIGHT = [(1500, 42e3), (2000, 45e3), (2500, 48e3), (3000, 52e3), (3500, 56e3)]
FULL = [(2000, 95e3), (2500, 95e3), (3000, 94e3), (3500, 94e3), (4000, 93e3)]
HOLDS = [(850, 40e3), *LIGHT, *FULL]


def drive_with_noisy_idle(seed, *, rate_hz=10, load="pressure", pressure_noise_pa=600.0, idle_s=25.0):
    """A drive that idles calmly once, its sensors noisy: log, speed and pressure without noise, rows of the idle.

    Invented sizes: speed +- 10 1/min and a wander of 0.6 %, manifold pressure +- 0.6 kPa and 0.6 %, throttle +- 0.5 %.
    """
    rng = np.random.default_rng([seed, 99])
    idle = (rng.uniform(720, 950), rng.uniform(30e3, 42e3), idle_s)
    plan = [(*HOLDS[rng.integers(1, len(HOLDS))], rng.uniform(5, 12)) for _ in range(24)]
    plan.insert(int(rng.integers(3, 20)), idle)
    speed, pressure, calm = [], [], []
    for (rpm, pascal, _), hold in zip([plan[0], *plan], plan, strict=False):
        moving = max(round(rng.uniform(0.6, 2.0) * rate_hz), 1)
        share = np.concatenate([np.linspace(0, 1, moving, endpoint=False), np.ones(round(hold[2] * rate_hz))])
        speed.append(rpm + share * (hold[0] - rpm))
        pressure.append(pascal + share * (hold[1] - pascal))
        calm.append((share == 1.0) & (hold is idle))
    speed, pressure, calm = np.concatenate(speed), np.concatenate(pressure), np.concatenate(calm)
    size = speed.size
    wandering = [values * (1 + 0.006 * wander(rng, size, 1.5, rate_hz)) for values in (speed, pressure)]
    time = np.arange(size) / rate_hz
    burnt = true_lambda(*wandering) + 0.006 * wander(rng, size, 0.8, rate_hz)
    seen = np.interp(time - 0.4, time, burnt) + rng.normal(0, 0.01, size)
    shown = wandering[1] + rng.normal(0, pressure_noise_pa, size)
    throttle = 100 * ((np.maximum(pressure, 26e3) - 25e3) / 75e3) ** 1.5 * (0.4 + 0.6 * speed / 5000)
    throttle = throttle + rng.normal(0, 0.5, size)
    log = nc.measure.Log(
        "idle", "", time, wandering[0] + rng.normal(0, 10, size), seen, throttle if load == "throttle" else None,
        shown if load == "pressure" else None, None, None, None, np.arange(size) + 2, np.zeros(size, dtype=np.int8),
    )  # fmt: skip
    return log, speed, pressure, calm


def true_lambda(rpm, pressure_pa):
    """Steady lambda: a needle with a lean middle, seen over air flow."""
    flow = np.log(rpm * pressure_pa / 1e8)
    return 1.0 + 0.06 * np.tanh(2 * (flow + 0.9)) - 0.10 / (1 + np.exp(-(flow - 0.5) / 0.15)) + 5e-6 * (rpm - 2500)


def wander(rng, size, seconds, rate_hz):
    """Samples of unit spread that hang together for so long (first-order)."""
    keep = np.exp(-1 / (rate_hz * seconds)) if seconds else 0.0
    out = rng.normal(0, 1, size)
    for k in range(1, size):
        out[k] = keep * out[k - 1] + np.sqrt(1 - keep**2) * out[k]
    return out


def synthetic_drive(
    seed,
    *,
    lag_s=0.4,
    delay_share=0.6,
    pipe_share=0.4,
    seconds=600.0,
    rate_hz=10,
    between=0.006,
    within=0.006,
    hang_s=0.8,
    noise=0.008,
    damper_s=0.5,
    spikes=0.0,
    load="pressure",
):
    """Log of a drive, and the true mean lambda of each hold by its (rpm, Pa)."""
    rng = np.random.default_rng([seed, 4711])
    step = 1 / rate_hz
    speed, pressure, offset = [], [], []
    rpm, pascal = HOLDS[0]
    clock = 0.0
    while clock < seconds:
        to_rpm, to_pascal = HOLDS[rng.integers(len(HOLDS))]
        move, hold = rng.uniform(0.5, 2.0), rng.uniform(5.0, 14.0)
        share = np.linspace(0, 1, max(round(move * rate_hz), 1), endpoint=False)
        stay = round(hold * rate_hz)
        speed += [rpm + share * (to_rpm - rpm), np.full(stay, float(to_rpm))]
        pressure += [pascal + share * (to_pascal - pascal), np.full(stay, float(to_pascal))]
        offset.append(np.full(share.size + stay, rng.normal(0, between)))
        rpm, pascal = to_rpm, to_pascal
        clock += move + hold
    speed, pressure, offset = np.concatenate(speed), np.concatenate(pressure), np.concatenate(offset)
    size = speed.size
    speed = speed * (1 + 0.004 * wander(rng, size, 2.0, rate_hz))
    pressure = pressure + 300 * wander(rng, size, 2.0, rate_hz)
    burnt = true_lambda(speed, pressure) + offset + within * wander(rng, size, hang_s, rate_hz)
    flow = speed * pressure
    held, rich = np.log(flow[0]), np.zeros(size)
    for k in range(size):  # the piston lags upwards, falls freely
        gap = np.log(flow[k]) - held
        held += gap * (1 - np.exp(-step / damper_s)) if gap > 0 else gap
        rich[k] = 0.25 * max(gap, 0.0) if gap > 0.05 else 0.0
    burnt = burnt * (1 - np.minimum(rich, 0.25))
    # The sensor's time and a delay, part of which is pipe and goes as 1/flow.
    delay, tau = lag_s * delay_share, lag_s * (1 - delay_share)
    time = np.arange(size) * step
    middling = np.sqrt(np.quantile(flow, 0.05) * np.quantile(flow, 0.95))
    late = delay * (1 - pipe_share + pipe_share * middling / flow)
    seen = np.interp(time - late, time, burnt)
    if tau > 0:
        keep = np.exp(-step / tau)
        mean = seen[0]
        for k in range(1, size):
            mean = keep * mean + (1 - keep) * (seen[k] + seen[k - 1]) / 2
            seen[k - 1] = mean
        seen = np.concatenate([seen[:1], seen[:-1]])
    seen = seen + rng.normal(0, noise, size)
    seen = seen + np.where(rng.random(size) < spikes, rng.choice([-0.3, 0.3], size), 0.0)
    columns = {
        "pressure": (None, pressure + rng.normal(0, 150, size)),
        "throttle": (100 * ((pressure - 25e3) / 75e3) ** 1.5 * (0.4 + 0.6 * speed / 5000) + rng.normal(0, 0.2, size), None),
        "none": (None, None),
    }
    throttle, manifold = columns[load]
    log = nc.measure.Log(
        "made up", "", time, speed + rng.normal(0, 5, size), seen, throttle, manifold, None, None, None,
        np.arange(size) + 2, np.zeros(size, dtype=np.int8), (), (), (),
    )  # fmt: skip
    return log, {hold: float(true_lambda(*hold)) for hold in HOLDS}
