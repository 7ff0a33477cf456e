"""The synthetic frames' physics against scipy: speckle statistics, resolution and attenuation of the linear envelope.

- Fully developed speckle follows Rayleigh's law: mean / SD = sqrt(pi / (4 - pi)) = 1.913 (Burckhardt 1978, from memory;
  the ratio itself follows from the distribution). Samples are at least 4 SD of the pulse and of the beam apart, so that
  they are nearly independent. The fit is judged by Kolmogorov-Smirnov with a parametric bootstrap, since the scale is fitted.
- The -6 dB width of a point is measured on a spline through the envelope.
- The slope of mean power with depth is fitted by least squares.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/synthetic.py
"""

import math
import sys

import numpy as np
from scipy import interpolate, stats

from _probe import ask, report

PROBE = "outside-synthetic"
SCANNER = {"face_radius_mm": 10.0, "half_angle_degrees": 50.0, "depth_mm": 70.0}
# The model, typed again from its description: SD of the pulse, of the beam at its focus, focus and focal range, mm; the
# loss that the time gain makes up for, dB/mm.
PULSE_SD, BEAM_SD, FOCUS, FOCAL_RANGE, GAIN = 0.24, 0.30, 32.0, 24.0, 0.28
RAYLEIGH = math.sqrt(math.pi / (4 - math.pi))


def beam_sd(depth):
    return BEAM_SD * np.sqrt(1 + ((depth - FOCUS) / FOCAL_RANGE) ** 2)


def grid(answer):
    return np.array(answer["amplitude"]).reshape(answer["depths"], answer["beams"]), answer["depth_step_mm"]


def beam_step(beams):
    return 2 * math.radians(SCANNER["half_angle_degrees"]) / (beams - 1)


def apart(envelope, step, first_mm, last_mm):
    """Samples 4 SD apart both ways, away from the sides of the sector."""
    out = []
    rows = np.arange(first_mm / step, last_mm / step, 4 * PULSE_SD / step)
    for row in rows.astype(int):
        depth = row * step
        stride = math.ceil(4 * beam_sd(depth) / ((SCANNER["face_radius_mm"] + depth) * beam_step(envelope.shape[1])))
        out.append(envelope[row, 40:-40:stride])
    return np.concatenate(out)


def rayleigh_p(samples, rng, draws=499):
    """p of the KS distance with the scale fitted, by parametric bootstrap."""

    def distance(x):
        scale = math.sqrt(np.mean(x**2) / 2)
        return stats.kstest(x, stats.rayleigh(scale=scale).cdf).statistic

    found = distance(samples)
    scale = math.sqrt(np.mean(samples**2) / 2)
    simulated = [distance(stats.rayleigh.rvs(scale=scale, size=len(samples), random_state=rng)) for _ in range(draws)]
    return (1 + sum(s >= found for s in simulated)) / (draws + 1)


def speckle():
    rng = np.random.default_rng(20261125)
    bands = [(6, 20), (20, 40), (40, 66)]
    requests = [{"do": "even-tissue", "scanner": SCANNER, "echo_db": -30.0, "loss_db_per_mm": GAIN, "seed": s} for s in (1, 2, 3)]
    for request, answer in zip(requests, ask(PROBE, requests)):
        envelope, step = grid(answer)
        for first, last in bands:
            x = apart(envelope, step, first, last)
            ratio, p = x.mean() / x.std(ddof=1), rayleigh_p(x, rng)
            level = 10 * math.log10(np.mean(x**2))
            text = f"seed {request['seed']}, {first}-{last} mm: n {len(x)}, mean/SD {ratio:.3f} (law {RAYLEIGH:.3f}), KS p {p:.3f}, {level:.2f} dB"
            print("  " + text)
            # The ratio's SD over n samples is 1.2/sqrt(n) by simulation; nine fits, so one below 0.05 is expected by chance.
            yield abs(ratio - RAYLEIGH) < 4 * 1.2 / math.sqrt(len(x)), text
            yield p > 0.005, text
            yield abs(level + 30) < 4 * 4.34 / math.sqrt(len(x)) + 0.1, text


def resolution():
    wanted = 2 * math.sqrt(2 * math.log(2))
    depths = [12.0, 32.0, 60.0]
    requests = [{"do": "points", "scanner": SCANNER, "at_mm": [[0.0, d]]} for d in depths]
    for depth, answer in zip(depths, ask(PROBE, requests)):
        envelope, step = grid(answer)
        row, beam = np.unravel_index(envelope.argmax(), envelope.shape)

        def width(line, centre):
            at = np.arange(centre - 25, centre + 26)
            spline = interpolate.CubicSpline(at, line[at])
            fine = np.linspace(at[0], at[-1], 20001)
            values = spline(fine)
            above = fine[values >= values.max() / 2]
            return above[-1] - above[0]

        along = width(envelope[:, beam], row) * step
        across = width(envelope[row], beam) * beam_step(envelope.shape[1]) * (SCANNER["face_radius_mm"] + depth)
        text = f"{depth} mm: -6 dB {along:.3f} mm along (model {wanted * PULSE_SD:.3f}), {across:.3f} across (model {wanted * beam_sd(depth):.3f})"
        print("  " + text)
        yield abs(along / (wanted * PULSE_SD) - 1) < 0.03, text
        yield abs(across / (wanted * beam_sd(depth)) - 1) < 0.03, text


def attenuation():
    losses = [0.18, 0.28, 0.48, 0.68]
    requests = [{"do": "even-tissue", "scanner": SCANNER, "echo_db": -20.0, "loss_db_per_mm": l, "seed": 9} for l in losses]
    for loss, answer in zip(losses, ask(PROBE, requests)):
        envelope, step = grid(answer)
        # Above 7 dB of gain the model stops; 0.1 dB/mm reaches that at 70 mm. The face rings in the first 4 mm.
        rows = np.arange(int(5 / step), int(66 / step))
        level = 10 * np.log10((envelope[rows, 40:-40] ** 2).mean(axis=1))
        fit = stats.linregress(rows * step, level)
        # Neighbouring rows are correlated over about 4 SD of the pulse: 33 rows to a mm are about 1 independent.
        error = fit.stderr * math.sqrt(4 * PULSE_SD / step)
        text = f"loss {loss}: slope {fit.slope:.4f} +- {error:.4f} dB/mm, asked {GAIN - loss:.4f}"
        print("  " + text)
        yield abs(fit.slope - (GAIN - loss)) < 4 * error + 0.002, text


def speed():
    """Time to draw, as this build and machine do it; printed for comparison, judged only against being useless."""
    answers = ask(PROBE, [{"do": "time", "scale": scale, "frames": 8} for scale in (1.0, 2.0)])
    for a in answers:
        rate = 8 / a["seconds"]
        text = f"{a['columns']} x {a['rows']} px: {rate:.1f} frames/s (test build, whatever else the machine does)"
        print("  " + text)
        yield rate > 0.1, text


if __name__ == "__main__":
    sys.exit(report([("speed", speed()), ("speckle by scipy", speckle()), ("resolution by scipy", resolution()), ("attenuation by scipy", attenuation())]))
