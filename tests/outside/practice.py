"""Scores of practice against numpy and scipy, and the competence chart against programs written anew here.

- Bias, SD and their intervals, exact intervals of shares, quartiles of time: numpy and scipy, from the marked cases alone.
- The learning and monitoring sums: written out here case by case.
- The chance of a verdict within so many cases: a Markov chain over the values of the sum themselves (the library follows
  counts of failures and successes), and a simulation by numpy.
- Weights: de Oliveira Filho, Anesth Analg 2002;95:411-6, states s = 0.29 and limits of 2.24 for failures of 20 and 40 % at
  alpha = beta = 0.1 (from memory). The same logarithms are this chart's weights.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/practice.py
"""

import math
import sys

import numpy as np
from scipy import stats

from _probe import ask, report

RATES = {"acceptable": 0.10, "unacceptable": 0.25, "limit": 3.5}
PROGRAM = "outside-practice"


def near(found, expected, tolerance=1e-9):
    return found is not None and abs(found - expected) <= tolerance * max(1.0, abs(expected))


def exact(events, of):
    low = 0.0 if events == 0 else stats.beta.ppf(0.025, events, of - events + 1)
    high = 1.0 if events == of else stats.beta.ppf(0.975, events + 1, of - events)
    return low, high


def scores():
    """Every figure of a score from the marked cases, by definition."""
    requests = [{"do": "trainee", "kind": k, "cases": n, "seed": s} for k in range(6) for n in (3, 20, 75) for s in (1, 2, 3)]
    for request, answer in zip(requests, ask(PROGRAM, requests)):
        marked, score = answer["marked"], answer["score"]
        read = lambda m: m["expected"]["decision"] == "read"
        e = np.array([m["read_mm"] - m["true_mm"] for m in marked if read(m) and m["read_mm"] is not None])
        n = len(e)
        want = {}
        if n >= 2:
            sd, half = e.std(ddof=1), stats.t.ppf(0.975, n - 1) * e.std(ddof=1) / math.sqrt(n)
            ss = ((e - e.mean()) ** 2).sum()
            want["bias"] = (e.mean(), e.mean() - half, e.mean() + half)
            want["sd"] = (sd, math.sqrt(ss / stats.chi2.ppf(0.975, n - 1)), math.sqrt(ss / stats.chi2.ppf(0.025, n - 1)))
        for name, (value, low, high) in want.items():
            got = score[name]
            # Below 1e-8: errors of a steady hand are sums of rounding alone.
            yes = all(near(g, w, 1e-8) for g, w in zip((got["value"], got["low"], got["high"]), (value, low, high)))
            yield yes, f"{request} {name}: {got} for {value} {low} {high}"
        shares = {
            "well": [abs(m["read_mm"] - m["true_mm"]) <= 3.92 if read(m) and m["read_mm"] is not None else
                     (not read(m) and m["decision_right"]) for m in marked],
            "read_rightly": [m["decision_right"] for m in marked if read(m)],
            "rejected_rightly": [m["decision_right"] for m in marked if not read(m)],
            "finding": [m["finding"] == m["true_finding"] for m in marked if read(m) and m["finding"] is not None],
        }
        for name, all_of in shares.items():
            k, of, got = sum(all_of), len(all_of), score[name]
            yes = (got["events"], got["of"]) == (k, of)
            if of:
                yes = yes and all(near(g, w) for g, w in zip((got["low"], got["high"]), exact(k, of)))
            yield yes, f"{request} {name}: {got} for {k} of {of}"
        quartiles = np.quantile(answer["seconds"], [0.25, 0.5, 0.75])
        yield all(near(a, b) for a, b in zip(score["seconds"], quartiles)), f"{request} times: {score['seconds']} for {quartiles}"


def sums(failures):
    """Both charts, written out."""
    good, bad = math.log(0.90 / 0.75), math.log(0.10 / 0.25)
    learning, monitoring, competent, declined, s = [], [], None, None, 0.0
    for i, failed in enumerate(failures, 1):
        step = bad if failed else good
        if competent is None:
            s = max(0.0, s + step)
            learning.append(s)
            if s >= 3.5:
                competent, s = i, 0.0
        else:
            s = max(0.0, s - step)
            monitoring.append(s)
            if s >= 3.5 and declined is None:
                declined = i
    return learning, monitoring, competent, declined


def charts():
    rng = np.random.default_rng(20270101)
    rows = [(rng.random(n) < p).tolist() for p in (0.0, 0.05, 0.1, 0.2, 0.3, 0.6, 1.0) for n in (0, 1, 40, 200)]
    answers = ask(PROGRAM, [{"do": "charts", "failures": r, "rates": RATES} for r in rows])
    for row, got in zip(rows, answers):
        learning, monitoring, competent, declined = sums(row)
        same = (
            len(got["learning"]) == len(learning)
            and len(got["monitoring"]) == len(monitoring)
            and all(near(a, b) for a, b in zip(got["learning"] + got["monitoring"], learning + monitoring))
            and (got["competent_at"], got["declined_at"]) == (competent, declined)
        )
        yield same, f"{len(row)} cases, {sum(row)} failures: {got['competent_at']}, {got['declined_at']} for {competent}, {declined}"


def markov(cases, rate, good, bad, limit):
    """Chance to reach the limit, by the law of the sum's value from case to case."""
    law, reached = {0.0: 1.0}, 0.0
    for _ in range(cases):
        after = {}
        for value, chance in law.items():
            for step, p in ((bad, rate), (good, 1 - rate)):
                v = value + step
                if v >= limit:
                    reached += chance * p
                else:
                    v = round(max(0.0, v), 9)
                    after[v] = after.get(v, 0.0) + chance * p
        law = after
    return reached


def chances():
    rng = np.random.default_rng(7)
    cases = [(n, p, d) for n in (20, 60, 100) for p in (0.02, 0.10, 0.25, 0.40) for d in (False, True)]
    answers = ask(PROGRAM, [{"do": "chance", "cases": n, "rate": p, "rates": RATES, "decline": d} for n, p, d in cases])
    for (n, p, d), got in zip(cases, answers):
        good, bad = math.log(0.90 / 0.75), math.log(0.10 / 0.25)
        good, bad = (-good, -bad) if d else (good, bad)
        want = markov(n, p, good, bad, 3.5)
        yield near(got, want, 1e-9), f"{n} cases, {p}, decline {d}: {got} for {want}"
        runs = 40_000
        steps = np.where(rng.random((runs, n)) < p, bad, good)
        s, hit = np.zeros(runs), np.zeros(runs, dtype=bool)
        for i in range(n):
            s = np.maximum(0.0, s + steps[:, i])
            hit |= s >= 3.5
        spread = math.sqrt(max(want * (1 - want), 1e-9) / runs)
        yield abs(hit.mean() - got) <= 4.5 * spread + 1e-4, f"{n} cases, {p}, decline {d}: {got}, simulated {hit.mean()}"


def published():
    """De Oliveira Filho 2002, from memory: s = Q/(P+Q) and h = ln((1-beta)/alpha)/(P+Q), with P and Q the weights."""
    [(good, bad)] = ask(PROGRAM, [{"do": "weights", "rates": {"acceptable": 0.2, "unacceptable": 0.4, "limit": 1.0}}])
    s, h = good / (good - bad), math.log(0.9 / 0.1) / (good - bad)
    yield round(s, 2) == 0.29, f"s {s}"
    yield round(h, 2) == 2.24, f"h {h}"


if __name__ == "__main__":
    sys.exit(report([("scores", scores()), ("charts", charts()), ("chances", chances()), ("published weights", published())]))
