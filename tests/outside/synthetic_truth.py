"""The truth of synthetic frames measured again by numpy, from the description of the surface and from the pixels.

- The inner surface of the lower segment is built here anew as a dense line (a floor of 24 mm radius that turns through 50
  degrees to either side, then walls of 200 mm radius), the edge is found on it at the asked straight distance, and the
  picture's landmarks must lie there. For a plane off the shortest way, the edge is a straight line on the wall laid flat: its
  points are searched for the nearest one, and for the one in the plane.
- The placenta's edge is found in the pixels: along a path 4 mm above the wall, where fluid turns to placenta; judged by
  how far the shown surface lies from the described one.
- The bladder, the fluid, the canal and the placenta have the greys that name them, at places that the truth gives.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/synthetic_truth.py
"""

import math
import sys

import numpy as np

from _probe import ask, report

PROBE = "outside-synthetic"
FLOOR, WALL, HALF, DOWN = 24.0, 200.0, math.radians(50.0), math.radians(30.0)
STEP = 0.0005
# Greys from the placenta's mean down by 6 dB on the shown curve.
SIX_DB = 27.0
# The bright surface (0.3 mm SD) and the beam (0.3 to 0.6 mm SD) together show a surface at most so far out, mm.
WIDENED = 1.3
INTO = np.array([-math.cos(DOWN), math.sin(DOWN)])
POSTERIOR = np.array([INTO[1], -INTO[0]])
BASE = {
    "off_axis_degrees": 0.0, "placenta_thickness_mm": 18.0, "edge_thickness_mm": 7.5, "far_edge_mm": None, "cervix_length_mm": 36.0,
    "cervix_half_thickness_mm": 13.0, "os_width_mm": 4.0, "funnel": None, "wall_mm": 5.0, "bladder_mm": 8.0, "head_radius_mm": 25.0,
    "sinus_mm": 0.0, "vessel": None, "scar_mm": 0.0, "contraction": None, "apposed_mm": 0.0,
}  # fmt: skip
# Distance on the shortest way, wall, turn off it, hold (os x, os y, turn of the picture).
CASES = [
    (14.0, "posterior", 0.0, [3.0, 34.0, 0.0]),
    (8.0, "posterior", 55.0, [3.0, 34.0, 0.0]),
    (22.0, "posterior", 0.0, [10.0, 31.0, 6.0]),
    (10.0, "posterior", 30.0, [5.0, 34.0, -4.0]),
    (3.0, "posterior", 70.0, [3.0, 34.0, 0.0]),
    (6.0, "anterior", 0.0, [4.0, 34.0, 0.0]),
    (9.0, "anterior", 50.0, [4.0, 34.0, 0.0]),
    (18.0, "anterior", 0.0, [8.0, 36.0, 3.0]),
    (-9.0, "posterior", 0.0, [4.0, 34.0, 0.0]),
    (-7.0, "posterior", 40.0, [4.0, 34.0, 0.0]),
    (-12.0, "anterior", 25.0, [4.0, 34.0, 0.0]),
]


def surface(length):
    """Points on the surface every STEP mm from the os, by walking along it; and the unit normals into the cavity."""
    s = np.arange(0, length, STEP)
    turn = np.where(s <= FLOOR * HALF, s / FLOOR, HALF + (s - FLOOR * HALF) / WALL)
    step = np.stack([np.sin(turn), np.cos(turn)], axis=1) * STEP
    points = np.concatenate([[[0.0, 0.0]], np.cumsum(0.5 * (step[1:] + step[:-1]), axis=0)])
    return s, points, np.stack([np.cos(turn), -np.sin(turn)], axis=1)


S, PROFILE, NORMAL = surface(70.0)
CHORD = np.hypot(PROFILE[:, 0], PROFILE[:, 1])


def arc(chord):
    return float(np.interp(chord, CHORD, S))


def place(s, above=0.0):
    """A place on the surface (or above it), mm right and down of the os; s is positive posterior."""
    k = min(int(round(abs(s) / STEP)), len(S) - 1)
    into, across = PROFILE[k] + above * NORMAL[k]
    return into * INTO + math.copysign(1.0, s) * across * POSTERIOR


def to_px(p, truth, scale, hold):
    a = math.radians(hold[2])
    turned = np.array([math.cos(a) * p[0] - math.sin(a) * p[1], math.sin(a) * p[0] + math.cos(a) * p[1]])
    return np.array([truth["internal_os"]["x"], truth["internal_os"]["y"]]) + turned / scale


def thickness(s, edge, above, share, t, near):
    """mm of placenta at arc s: t tanh(k x / t), x from the edge across it, drawn together above the round floor."""
    k = t / 10 * math.atanh(near / t)
    floor = FLOOR * HALF
    on_floor = np.clip(s, -floor, floor) - np.clip(edge, -floor, floor)
    x = share * ((s - edge) - above / FLOOR * on_floor)
    return t * np.tanh(k * x / t)


def grey_at(pixels, p, scale, mm):
    """Mean grey within mm of a place (px), pixel by pixel."""
    rows, columns = np.indices(pixels.shape)
    return float(pixels[np.hypot((columns + 0.5 - p[0]) * scale[0], (rows + 0.5 - p[1]) * scale[1]) <= mm].mean())


def frames():
    requests = [
        {"do": "frame", "anatomy": BASE | {"edge_to_os_mm": d, "placenta_on": wall, "edge_thickness_mm": 7.5 if d > 0 else 11.0},
         "turn": turn, "hold": hold, "tissue": 40 + i}
        for i, (d, wall, turn, hold) in enumerate(CASES)
    ]  # fmt: skip
    for case, request, answer in zip(CASES, requests, ask(PROBE, requests)):
        if "truth" not in answer:
            sys.exit(f"{case}: {answer}")
        pixels = np.array(answer["samples"], dtype=np.uint8).reshape(answer["rows"], answer["columns"])
        yield case, request["anatomy"], answer["truth"], np.array(answer["mm_per_px"]), pixels


DRAWN = list(frames())


def geometry():
    for (d, wall, turn, hold), _, truth, scale, _ in DRAWN:
        share = math.cos(math.radians(turn))
        # The edge as a line on the flat wall: its nearest point lies at the arc of the shortest way.
        along = np.linspace(-80, 80, 400001)
        nearest = arc(abs(d))
        arcs = np.hypot(nearest, along)
        inside = arcs < S[-1]
        chords = np.interp(arcs[inside], S, CHORD)
        shortest = float(chords.min())
        # In the plane: the point of the line whose direction is `turn` off that of the nearest one.
        direction = np.arctan2(along[inside], nearest)
        in_plane = float(np.interp(math.radians(turn), direction, chords))
        name = f"{d:+} mm, {wall}, {turn} degrees off"
        text = f"{name}: shortest {shortest:.4f}, in the plane {in_plane:.4f}; stated {truth['shortest_mm']:.4f}, {truth['edge_to_os_mm']:.4f}"
        print("  " + text)
        yield abs(shortest - abs(truth["shortest_mm"])) < 1e-3 and abs(in_plane - abs(truth["edge_to_os_mm"])) < 1e-3, text
        yield math.copysign(1, d) == math.copysign(1, truth["edge_to_os_mm"]), f"{name}: sign"
        s = nearest / share * math.copysign(1, d) * (1 if wall == "posterior" else -1)
        expected = to_px(place(s), truth, scale, hold)
        stated = np.array([truth["placental_edge"]["x"], truth["placental_edge"]["y"]])
        off = float(np.hypot(*((expected - stated) * scale)))
        yield off < 2e-3, f"{name}: the edge is stated {off:.4f} mm from where the surface has it"
        measured = float(np.hypot(*((stated - [truth["internal_os"]["x"], truth["internal_os"]["y"]]) * scale)))
        yield abs(measured - abs(truth["edge_to_os_mm"])) < 1e-9, f"{name}: {measured} mm between the stated points"
        lips = [np.array([p["x"], p["y"]]) for p in truth["internal_os_lips"]]
        wide = float(np.hypot(*((lips[0] - lips[1]) * scale)))
        yield 3.9 < wide <= 4.0, f"{name}: the os is {wide:.3f} mm wide, asked 4"


def edge_in_pixels():
    """The place along the wall where fluid turns to placenta, 4 mm above the wall, in the picture and by the description."""
    above = 4.0
    for (d, wall, turn, hold), anatomy, truth, scale, pixels in DRAWN:
        share = math.cos(math.radians(turn))
        side = 1 if wall == "posterior" else -1
        edge = arc(abs(d)) / share * math.copysign(1, d)
        s = np.arange(edge - 8, edge + 16, 0.1)
        wanted = thickness(s, edge, above, share, anatomy["placenta_thickness_mm"], anatomy["edge_thickness_mm"])
        expected = float(np.interp(above, wanted, s))
        if expected > edge + 12:
            continue
        greys = np.array([grey_at(pixels, to_px(place(side * v, above), truth, scale, hold), scale, 0.8) for v in s])
        # 6 dB below the placenta's own level: the beam's tails reach farther, but faintly.
        bright = greys > greys[s > expected + 3].mean() - SIX_DB
        k = next(k for k in range(len(s) - 10) if bright[k : k + 10].all())
        # How far the shown surface lies from the described one, square to the wall: the beam and the bright surface widen it.
        off = above - float(np.interp(s[k], s, wanted))
        text = f"{d:+} mm, {wall}, {turn} degrees off: placenta from {s[k] - edge:.1f} mm beyond the edge, surface {off:+.2f} mm off"
        print("  " + text)
        yield abs(off) < WIDENED, text
        yield greys[k:].mean() > greys[:k].mean() + 50, f"{text}: {greys[:k].mean():.0f} and {greys[k:].mean():.0f}"


def structures():
    for (d, wall, turn, hold), _, truth, scale, pixels in DRAWN:
        name = f"{d:+} mm, {wall}, {turn} degrees off"
        os = np.array([truth["internal_os"]["x"], truth["internal_os"]["y"]])
        external = np.array([truth["external_os"]["x"], truth["external_os"]["y"]])
        # The canal's line is the brightest thing across the canal half-way down.
        across = np.array([-(external - os)[1] * scale[1] / scale[0], (external - os)[0] * scale[0] / scale[1]])
        across = across / np.hypot(*(across * scale))
        middle = (os + external) / 2
        offsets = np.arange(-8, 8, 0.2)
        line = np.array([grey_at(pixels, middle + o * across, scale, 0.4) for o in offsets])
        brightest = offsets[int(line.argmax())]
        # The canal bows towards the front by 2.4 mm.
        yield abs(abs(brightest) - 2.4) < 1.0 and line.max() > 150, f"{name}: canal line {brightest:.1f} mm off its chord, grey {line.max():.0f}"
        if d > 4 and turn == 0:
            fluid = grey_at(pixels, to_px(12 * INTO, truth, scale, hold), scale, 1.5)
            yield fluid < 15, f"{name}: fluid {fluid:.0f}"
        yield "bladder" in truth["visible"] and "placental edge" in truth["visible"], f"{name}: {truth['visible']}"


if __name__ == "__main__":
    sys.exit(report([("landmarks by numpy", geometry()), ("edge in the pixels", edge_in_pixels()), ("structures in the pixels", structures())]))
