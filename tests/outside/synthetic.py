"""The synthetic frames' physics against scipy: speckle statistics, resolution and attenuation of the linear envelope.

- Fully developed speckle follows Rayleigh's law: mean / SD = sqrt(pi / (4 - pi)) = 1.913 (Burckhardt 1978, from memory;
  the ratio itself follows from the distribution). Samples are at least 4 SD of the pulse and of the beam apart, so that
  they are nearly independent. The fit is judged by Kolmogorov-Smirnov with a parametric bootstrap, since the scale is fitted.
- The -6 dB width of a point is measured on a spline through the envelope.
- The slope of mean power with depth is fitted by least squares.
- Mean greys of the shown picture are compared with the integral of the stated grey curve over Rayleigh's law.
- Behind a disc of fluid and a shell of bone, the level across the beams is compared with the loss along each ray, summed
  here anew, and smeared by the beam: enhancement, shadow, and the shadow at the disc's edges.
- One frame is drawn by processes with different numbers of threads: their bytes must be the same.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/synthetic.py
"""

import math
import os
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


def grey(amplitude):
    """The stated curve: 60 dB shown, then level * (3/4 + level/2 - level^2/4)."""
    level = np.clip(1 + 20 * np.log10(amplitude + 1e-9) / 60, 0, 1)
    return 255 * level * (0.75 + 0.5 * level - 0.25 * level**2)


def greys():
    levels = [-15.0, -23.0, -30.5, -37.0, -47.0]
    requests = [{"do": "greys", "scanner": SCANNER, "echo_db": e, "seed": 5} for e in levels]
    for level, answer in zip(levels, ask(PROBE, requests)):
        picture = np.array(answer["samples"], dtype=float).reshape(answer["rows"], answer["columns"])
        # The middle of the face lies at the middle of the region and some rows down: found from the picture's own middle column.
        rows = np.flatnonzero(picture[:, (answer["columns"] - 20) // 2] > 0)
        part = picture[rows[0] + 60 : rows[-1] - 20, (answer["columns"] - 20) // 2 - 60 : (answer["columns"] - 20) // 2 + 60]
        scale = math.sqrt(10 ** (level / 10) / 2)
        amplitude = stats.rayleigh(scale=scale).ppf((np.arange(20000) + 0.5) / 20000)
        expected = grey(amplitude).mean()
        text = f"tissue of {level} dB: mean grey {part.mean():.1f}, by the curve and Rayleigh's law {expected:.1f}"
        print("  " + text)
        yield abs(part.mean() - expected) < 2.0, text


def behind():
    """Level behind a disc, dB over the tissue beside it, beam by beam, against rays that are summed here."""
    radius, depth, seeds = 8.0, 28.0, range(1, 9)
    half = math.radians(SCANNER["half_angle_degrees"])
    for name, shell in [("fluid", None), ("bone shell of 1 mm", 1.0)]:
        requests = [{"do": "disc", "scanner": SCANNER, "radius": radius, "depth": depth, "seed": s, **({} if shell is None else {"shell": shell})} for s in seeds]
        grids = [grid(a) for a in ask(PROBE, requests)]
        step = grids[0][1]
        power = np.mean([g**2 for g, _ in grids], axis=0)
        rows = slice(int(46 / step), int(66 / step))
        found = 10 * np.log10(power[rows].mean(axis=0))
        beams = power.shape[1]
        angle = np.linspace(-half, half, beams)
        r = np.arange(0, depth + radius + 4, 0.02)
        x = (SCANNER["face_radius_mm"] + r)[:, None] * np.sin(angle)
        y = (SCANNER["face_radius_mm"] + r)[:, None] * np.cos(angle) - SCANNER["face_radius_mm"]
        outside = np.hypot(x, y - depth) - radius
        if shell is None:
            lost = np.where(outside < 0, 0.14, GAIN)
            # A surface met at less than asin 0.25 within 0.8 mm bends the beam away: 1.2 dB/mm.
            slope = np.gradient(outside, 0.02, axis=0)
            lost = lost + np.where((np.abs(outside) < 0.8) & (np.abs(slope) < 0.25), 1.2, 0)
        else:
            lost = np.where((outside < 0) & (outside > -shell), 8.0, GAIN)
        level = np.zeros(beams)
        for row in lost:
            level = np.minimum(level + (GAIN - row) * 0.02, 7.0)
        # The beam mixes the power of neighbouring rays.
        at = 56.0
        sd = beam_sd(at) / ((SCANNER["face_radius_mm"] + at) * beam_step(beams))
        k = np.arange(-int(5 * sd), int(5 * sd) + 1)
        kernel = np.exp(-(k**2) / sd**2)
        expected = 10 * np.log10(np.convolve(10 ** (level / 10), kernel / kernel.sum(), "same"))
        beside = np.r_[20 : beams // 6]
        found, expected = found - found[beside].mean(), expected - expected[beside].mean()
        middle = slice(beams // 2 - 10, beams // 2 + 10)
        text = f"{name}: {found[middle].mean():+.2f} dB behind the middle, rays {expected[middle].mean():+.2f}"
        print("  " + text)
        yield abs(found[middle].mean() - expected[middle].mean()) < 0.6, text
        if shell is None:
            dips = [int(np.argmin(expected[: beams // 2])), beams // 2 + int(np.argmin(expected[beams // 2 :]))]
            for dip in dips:
                near = slice(dip - 2, dip + 3)
                text = f"{name}: {found[near].mean():+.2f} dB behind its edge (beam {dip}), rays {expected[near].mean():+.2f}"
                print("  " + text)
                yield abs(found[near].mean() - expected[near].mean()) < 1.2 and expected[near].mean() < -2, text


def threads():
    digests = {}
    for n in ("1", "2", "5"):
        os.environ["RAYON_NUM_THREADS"] = n
        digests[n] = ask(PROBE, [{"do": "digest"}])[0]["sha256"]
    os.environ.pop("RAYON_NUM_THREADS")
    text = f"1, 2 and 5 threads: {', '.join(d[:12] for d in digests.values())}"
    print("  " + text)
    yield len(set(digests.values())) == 1, text


if __name__ == "__main__":
    sys.exit(
        report(
            [
                ("same bytes in every process", threads()),
                ("speckle by scipy", speckle()),
                ("resolution by scipy", resolution()),
                ("attenuation by scipy", attenuation()),
                ("mean greys by scipy", greys()),
                ("shadow and enhancement by numpy", behind()),
            ]
        )
    )
