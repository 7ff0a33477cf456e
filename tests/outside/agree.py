"""Agreement statistics against scipy, statsmodels, pingouin and scikit-learn, on published, random and degenerate data.

Compared to 1e-9 relative (or absolute below 1) where definitions agree. Where they differ, the independent side is
written out here with numpy and scipy:
- pingouin rounds the intervals of its correlations to two decimals: its values are compared to 1e-9, its intervals to
  0.0051, and the intervals to 1e-9 with the formulas of Shrout & Fleiss / McGraw & Wong;
- the exact intervals of limits of agreement come from scipy's noncentral t (pingouin and statsmodels have none);
- unbalanced one-way and nested components: statsmodels gives the sums of squares (type I analysis of variance), the
  coefficients of expected mean squares are derived here by numpy from the design matrices;
- statsmodels gives Fleiss' kappa without a standard error: that is compared with Gwet's formula written out here;
- the modified large-sample intervals of components have no counterpart: their coverage is simulated in tests/it/agree.rs.

Run by tests/run, or by hand: target/venv/bin/python tests/outside/agree.py
"""

import functools
import math
import sys
import warnings

import numpy as np
import pandas as pd
import pingouin as pg
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.formula.api import ols
from statsmodels.stats import inter_rater
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.diagnostic import het_breuschpagan
import statsmodels.api as sm

import _probe

ask = functools.partial(_probe.ask, "outside-agree")
TOLERANCE = 1e-9


def near(found, expected, tolerance=TOLERANCE):
    if found is None or expected is None:
        return found is None and expected is None
    return math.isfinite(found) and abs(found - expected) <= tolerance * max(1.0, abs(expected))


def compare(name, answer, expected, tolerance=TOLERANCE):
    """One result for each figure: `expected` maps dotted paths of the answer to numbers."""
    for path, want in expected.items():
        got = answer
        for key in path.split("."):
            got = None if got is None else got.get(key)
        want = None if want is None else float(want)
        yield near(got, want, tolerance), f"{name}: {path}: expected {want}, found {got}"


def refused(name, answer):
    yield "error" in answer, f"{name}: expected a refusal, found {answer}"


def pair_sets(rng):
    for i in range(60):
        n = int(rng.integers(3, 120)) if i > 3 else 2 + i
        base = rng.normal(15, 9, n)
        scale = 10 ** rng.uniform(-2, 2)
        a = base * scale + rng.normal(0, 2, n) * scale
        b = base * scale * rng.uniform(0.8, 1.2) + rng.normal(rng.uniform(-2, 2), 2, n) * scale
        if i % 7 == 0:
            b = np.round(b)
            a = np.round(a)
        yield a, b
    # Whole numbers with many ties, heavy tails, and one outlier.
    yield np.arange(30.0), np.arange(30.0) + rng.integers(-1, 2, 30)
    yield rng.standard_cauchy(40), rng.standard_cauchy(40)
    a = rng.normal(0, 1, 25)
    a[3] = 1e4
    yield a, rng.normal(0, 1, 25)


def bland_altman(rng):
    sets = list(pair_sets(rng))
    answers = ask([{"do": "bland-altman", "pairs": list(zip(a.tolist(), b.tolist()))} for a, b in sets])
    for i, ((a, b), got) in enumerate(zip(sets, answers)):
        d, m, n = a - b, (a + b) / 2, len(a)
        bias, sd = d.mean(), d.std(ddof=1)
        low, high = stats.t.interval(0.95, n - 1, bias, sd / math.sqrt(n))
        near_k, far_k = (stats.nct.ppf(p, n - 1, 1.96 * math.sqrt(n)) * sd / math.sqrt(n) for p in (0.025, 0.975))
        chi = [stats.chi2.ppf(p, n - 1) for p in (0.975, 0.025)]
        want = {
            "bias.value": bias, "bias.low": low, "bias.high": high,
            "sd.value": sd, "sd.low": sd * math.sqrt((n - 1) / chi[0]), "sd.high": sd * math.sqrt((n - 1) / chi[1]),
            "lower_limit.value": bias - 1.96 * sd, "upper_limit.value": bias + 1.96 * sd,
            "upper_limit.low": bias + near_k, "upper_limit.high": bias + far_k,
            "lower_limit.low": bias - far_k, "lower_limit.high": bias - near_k,
        }
        if n >= 3:
            fit = sm.OLS(d, sm.add_constant(m)).fit()
            slope = fit.conf_int()[1]
            want |= {
                "proportional_bias.slope.value": fit.params[1], "proportional_bias.slope.low": slope[0],
                "proportional_bias.slope.high": slope[1], "proportional_bias.intercept": fit.params[0],
                "proportional_bias.p": fit.pvalues[1],
            }
            if n > 3:
                want["assumptions.constant_spread_p"] = het_breuschpagan(fit.resid, sm.add_constant(m), robust=True)[1]
        else:
            want["proportional_bias"] = None
        want["assumptions.normality_p"] = stats.normaltest(d).pvalue if n >= 20 else None
        yield from compare(f"bland-altman {i} (n = {n})", got, want)
    same = [[1.5, 1.0], [2.5, 2.0], [9.0, 8.5]]
    degenerate = ask([
        {"do": "bland-altman", "pairs": same},
        {"do": "bland-altman", "pairs": [[1, 2]]},
        {"do": "bland-altman", "pairs": []},
    ])
    yield from compare("bland-altman, constant difference", degenerate[0], {"bias.value": 0.5, "sd.value": 0, "upper_limit.value": 0.5, "upper_limit.high": None})
    yield from refused("bland-altman, one pair", degenerate[1])
    yield from refused("bland-altman, no pair", degenerate[2])


def group_sets(rng):
    for i in range(60):
        k = int(rng.integers(2, 40))
        sizes = rng.integers(1, 7, k) if i % 2 else np.full(k, int(rng.integers(2, 6)))
        sizes[0] = max(sizes[0], 2)
        yield [(rng.normal(0, rng.uniform(0, 4)) + rng.normal(20, 1.5, s)).tolist() for s in sizes]


def one_way(rng):
    sets = list(group_sets(rng))
    for i, (groups, got) in enumerate(zip(sets, ask([{"do": "one-way", "groups": g} for g in sets]))):
        data = pd.DataFrame([(str(j), v) for j, g in enumerate(groups) for v in g], columns=["group", "value"])
        table = anova_lm(ols("value ~ C(group)", data).fit())
        msb, msw, df = table["mean_sq"].iloc[0], table["mean_sq"].iloc[1], table["df"].iloc[1]
        # E[MSB] = σ²w + n0·σ²b, with n0 from the trace of the projected group indicators.
        z = pd.get_dummies(data["group"]).to_numpy(float)
        centred = np.eye(len(data)) - 1 / len(data)
        n0 = np.trace(z.T @ centred @ z) / (len(groups) - 1)
        chi = [stats.chi2.ppf(p, df) for p in (0.975, 0.025)]
        sd = math.sqrt(msw)
        rc = 1.96 * math.sqrt(2)
        yield from compare(f"one-way {i}", got, {
            "between.value": msb, "within.value": msw, "within.degrees": df, "effective_size": n0,
            "between_variance.value": (msb - msw) / n0,
            "repeatability.sd.value": sd,
            "repeatability.sd.low": sd * math.sqrt(df / chi[0]), "repeatability.sd.high": sd * math.sqrt(df / chi[1]),
            "repeatability.repeatability_coefficient.value": rc * sd,
        })
    for name, groups in [("no repeats", [[1.0], [2.0]]), ("nothing", []), ("empty groups", [[], []])]:
        yield from refused(f"one-way, {name}", ask([{"do": "one-way", "groups": groups}])[0])
    yield from compare("one-way, one group", ask([{"do": "one-way", "groups": [[1.0, 3.0]]}])[0],
                       {"within.value": 2.0, "between_variance": None})


def nested(rng):
    sets = []
    for i in range(60):
        exams = []
        for _ in range(int(rng.integers(2, 12))):
            centre = rng.normal(15, 8)
            frames = [centre + rng.normal(0, rng.uniform(0, 2)) for _ in range(int(rng.integers(1, 5)))]
            exams.append([(f + rng.normal(0, 1, int(rng.integers(1, 4)) if i % 2 else 2)).tolist() for f in frames])
        exams[0] = [[1.0, 2.5], [4.0, 3.0, 3.5]]
        sets.append(exams)
    for i, (exams, got) in enumerate(zip(sets, ask([{"do": "nested", "exams": e} for e in sets]))):
        rows = [(str(a), f"{a}/{b}", v) for a, e in enumerate(exams) for b, f in enumerate(e) for v in f]
        data = pd.DataFrame(rows, columns=["exam", "frame", "value"])
        # Residual sums of squares of exam means and of frame means; the frames' share is the difference.
        design = {c: pd.get_dummies(data[c]).to_numpy(float) for c in ("exam", "frame")}
        y = data["value"].to_numpy()
        fit = {c: sm.OLS(y, x).fit() for c, x in design.items()}
        df_f = fit["exam"].df_resid - fit["frame"].df_resid
        df_r = fit["frame"].df_resid
        ss_f, ss_r = fit["exam"].ssr - fit["frame"].ssr, fit["frame"].ssr
        x, z = design["exam"], design["frame"]
        rest = np.eye(len(y)) - x @ np.linalg.pinv(x)
        n0 = np.trace(z.T @ rest @ z) / df_f
        ms_f, ms_r = ss_f / df_f, ss_r / df_r
        acquisition = (ms_f - ms_r) / n0
        if acquisition < 0:
            total, df = (ss_f + ss_r) / (df_f + df_r), df_f + df_r
        else:
            p, q = ms_f / n0, (1 - 1 / n0) * ms_r
            total, df = p + q, (p + q) ** 2 / (p * p / df_f + q * q / df_r)
        yield from compare(f"nested {i}", got, {
            "frames.value": ms_f, "frames.degrees": df_f, "repeats.value": ms_r, "repeats.degrees": df_r,
            "acquisition_variance.value": acquisition, "placement.sd.value": math.sqrt(ms_r),
            "total.sd.value": math.sqrt(total), "total.degrees": df,
        })


def own(rng):
    """The SD that takes the place of the assumption, and whether it may: 30 pooled degrees of freedom over frames of exams,
    the total of all readings where acquisition is negative. Sums of squares by numpy from the plain definitions, and with
    statsmodels where every frame was read once (then it is the one-way within SD of the exams)."""
    sets = []
    for i in range(60):
        placing = 0.0 if i % 5 == 0 else 1.2
        exams = []
        for _ in range(int(rng.integers(6, 40))):
            frames = rng.normal(15, 8) + rng.normal(0, 0.05 if i % 4 == 1 else 1.5, int(rng.integers(1, 5)))
            exams.append([(f + rng.normal(0, placing, 1 if i % 3 == 0 else int(rng.integers(1, 4)))).tolist() for f in frames])
        sets.append(exams)
    answers = ask([{"do": "own", "exams": e} for e in sets])
    for i, (exams, got) in enumerate(zip(sets, answers)):
        ss_f = ss_r = df_f = df_r = weight = 0.0
        for exam in exams:
            sizes = np.array([len(f) for f in exam], float)
            means = np.array([np.mean(f) for f in exam])
            centre = np.concatenate(exam).mean()
            ss_f += (sizes * (means - centre) ** 2).sum()
            df_f += len(exam) - 1
            ss_r += sum(((np.array(f) - np.mean(f)) ** 2).sum() for f in exam)
            df_r += sizes.sum() - len(exam)
            weight += sizes.sum() - (sizes**2).sum() / sizes.sum()
        if df_f == 0:
            yield from refused(f"own {i}: one frame an exam", got)
            continue
        if df_r == 0:
            total, df = ss_f / df_f, df_f
            rows = [(str(a), v) for a, e in enumerate(exams) for f in e for v in f]
            data = pd.DataFrame(rows, columns=["exam", "value"])
            table = anova_lm(ols("value ~ C(exam)", data).fit())
            yield near(total, table["mean_sq"].iloc[1]), f"own {i}: numpy and statsmodels differ: {total}, {table['mean_sq'].iloc[1]}"
        else:
            ms_f, ms_r, n0 = ss_f / df_f, ss_r / df_r, weight / df_f
            if ms_f < ms_r:
                total, df = (ss_f + ss_r) / (df_f + df_r), df_f + df_r
            else:
                p, q = ms_f / n0, (1 - 1 / n0) * ms_r
                total, df = p + q, (p + q) ** 2 / (p * p / df_f + q * q / df_r)
        if min(df, df_f) < 30:
            yield from refused(f"own {i}: {min(df, df_f):.1f} degrees of freedom", got)
        else:
            yield from compare(f"own {i}", got, {"sd_mm": math.sqrt(total), "degrees_of_freedom": df})
            yield got.get("assumed") is False, f"own {i}: still called assumed"


def icc(rng):
    sets = [np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)]
    for i in range(60):
        n, k = int(rng.integers(3 if i else 2, 40)), int(rng.integers(2, 6))
        table = rng.normal(0, 10 ** rng.uniform(-1, 1), (n, 1)) + rng.normal(0, rng.uniform(0, 2), (1, k)) + rng.normal(0, 1, (n, k))
        sets.append(np.round(table) if i % 9 == 4 else table)
    requests = [{"do": what, "table": t.tolist()} for t in sets for what in ("icc", "two-way")]
    answers = ask(requests)
    for i, t in enumerate(sets):
        got, two = answers[2 * i], answers[2 * i + 1]
        n, k = t.shape
        long = pd.DataFrame([(r, c, t[r, c]) for r in range(n) for c in range(k)], columns=["frame", "reader", "value"])
        aov = anova_lm(ols("value ~ C(frame) + C(reader)", long).fit())
        msb, msj, mse = aov["mean_sq"].iloc[:3]
        msw = (aov["sum_sq"].iloc[1] + aov["sum_sq"].iloc[2]) / (n * (k - 1))
        yield from compare(f"two-way {i}", two, {
            "subject.value": msb, "reader.value": msj, "residual.value": mse, "within.value": msw,
            "subject_variance.value": (msb - mse) / k, "reader_variance.value": (msj - mse) / n,
        })
        f = stats.f.ppf
        d1, d2, d3 = n - 1, n * (k - 1), (n - 1) * (k - 1)

        def simple(ratio, df):
            low, high = ratio / f(0.975, d1, df), ratio * f(0.975, df, d1)
            return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1), 1 - 1 / low, 1 - 1 / high

        one, three = simple(msb / msw, d2), simple(msb / mse, d3)
        r = (msb - mse) / (msb + (k - 1) * mse + k * (msj - mse) / n)
        fj = msj / mse
        v = (k - 1) * (n - 1) * (k * r * fj + n * (1 + (k - 1) * r) - k * r) ** 2
        v /= (n - 1) * k**2 * r**2 * fj**2 + (n * (1 + (k - 1) * r) - k * r) ** 2
        f1, f2 = f(0.975, n - 1, v), f(0.975, v, n - 1)
        low = n * (msb - f1 * mse) / (f1 * (k * msj + (k * n - k - n) * mse) + n * msb)
        high = n * (f2 * msb - mse) / (k * msj + (k * n - k - n) * mse + n * f2 * msb)
        average = lambda x: k * x / (1 + (k - 1) * x)
        yield from compare(f"icc {i} ({n} by {k})", got, {
            "icc_1_1.value": (msb - msw) / (msb + (k - 1) * msw), "icc_1_1.low": one[0], "icc_1_1.high": one[1],
            "icc_3_1.value": (msb - mse) / (msb + (k - 1) * mse), "icc_3_1.low": three[0], "icc_3_1.high": three[1],
            "icc_2_1.value": r, "icc_2_1.low": low, "icc_2_1.high": high,
            "icc_1_k.value": (msb - msw) / msb, "icc_1_k.low": one[2], "icc_1_k.high": one[3],
            "icc_3_k.value": (msb - mse) / msb, "icc_3_k.low": three[2], "icc_3_k.high": three[3],
            "icc_2_k.value": (msb - mse) / (msb + (msj - mse) / n), "icc_2_k.low": average(low), "icc_2_k.high": average(high),
        })
        if n >= 5:
            theirs = pg.intraclass_corr(long, targets="frame", raters="reader", ratings="value")
            names = ["icc_1_1", "icc_2_1", "icc_3_1", "icc_1_k", "icc_2_k", "icc_3_k"]
            column = "CI95" if "CI95" in theirs else "CI95%"
            for name, value, interval in zip(names, theirs["ICC"], theirs[column]):
                yield from compare(f"icc {i} against pingouin", got, {f"{name}.value": value})
                yield from compare(f"icc {i} against pingouin", got, {f"{name}.low": interval[0], f"{name}.high": interval[1]}, 0.0051)
    flat, exact = ask([{"do": "icc", "table": [[3, 3], [3, 3]]}, {"do": "icc", "table": [[1, 1], [2, 2], [5, 5]]}])
    yield from refused("icc, one value throughout", flat)
    yield from compare("icc, no difference", exact, {"icc_2_1.value": 1, "icc_2_1.low": None, "icc_1_k.value": 1})


def kappa(rng):
    tables = [np.array([[25, 3, 5], [6, 32, 8], [1, 0, 20]])]
    for i in range(60):
        q = int(rng.integers(2, 6))
        table = rng.multinomial(int(rng.integers(4, 200)), rng.dirichlet(np.full(q * q, 0.4) + 2 * np.eye(q).ravel())).reshape(q, q)
        if min((table.sum(0) > 0).sum(), (table.sum(1) > 0).sum()) > 1:
            tables.append(table)
    kinds = ["none", "linear", "quadratic"]
    answers = iter(ask([{"do": "cohen", "table": t.tolist(), "weights": w} for t in tables for w in kinds]))
    for i, t in enumerate(tables):
        q = len(t)
        first, second = (np.repeat(idx.ravel(), t.ravel()) for idx in np.indices(t.shape))
        for w in kinds:
            got = next(answers)
            label = f"cohen {i} {w}"
            theirs = cohen_kappa_score(first, second, labels=range(q), weights=None if w == "none" else w)
            yield from compare(label + " against scikit-learn", got, {"kappa.value": theirs})
            if w == "none":
                sms = inter_rater.cohens_kappa(t, return_results=True)
            else:
                sms = inter_rater.cohens_kappa(t, wt=w, return_results=True)
            low, high = sms.kappa - 1.959963984540054 * sms.std_kappa, sms.kappa + 1.959963984540054 * sms.std_kappa
            if sms.std_kappa < 1e-12:  # statsmodels gives an interval of no width where readers never differ
                low = high = math.nan
            yield from compare(label + " against statsmodels", got, {
                "kappa.value": sms.kappa, "standard_error": sms.std_kappa, 
                "kappa.low": None if math.isnan(low) else max(low, -1), "kappa.high": None if math.isnan(high) else min(high, 1)})
    counts = []
    for i in range(60):
        n, m, q = int(rng.integers(2, 60)), int(rng.integers(2, 7)), int(rng.integers(2, 6))
        rows = np.array([rng.multinomial(m, rng.dirichlet(np.full(q, 0.5))) for _ in range(n)])
        if (rows.sum(0) > 0).sum() > 1:
            counts.append(rows)
    for i, (rows, got) in enumerate(zip(counts, ask([{"do": "fleiss", "counts": r.tolist()} for r in counts]))):
        n, m = len(rows), rows[0].sum()
        p = rows.sum(0) / (n * m)
        a = (rows * (rows - 1)).sum(1) / (m * (m - 1))
        pe = (p * p).sum()
        k = (a.mean() - pe) / (1 - pe)
        own = (a - pe) / (1 - pe) - 2 * (1 - k) * ((rows / m) @ p - pe) / (1 - pe)
        yield from compare(f"fleiss {i}", got, {
            "kappa.value": inter_rater.fleiss_kappa(rows, method="fleiss"),
            "standard_error": math.sqrt(((own - k) ** 2).sum() / (n * (n - 1)))})
    for name, request in [
        ("one category", {"do": "cohen", "table": [[7, 0], [0, 0]], "weights": "none"}),
        ("no frame", {"do": "cohen", "table": [[0, 0], [0, 0]], "weights": "none"}),
        ("not square", {"do": "cohen", "table": [[1, 2, 3], [1, 2, 3]], "weights": "linear"}),
        ("different numbers of readers", {"do": "fleiss", "counts": [[2, 1], [1, 1]]}),
        ("one category throughout", {"do": "fleiss", "counts": [[3, 0], [3, 0]]}),
    ]:
        yield from refused(f"kappa, {name}", ask([request])[0])


def study(rng):
    """Whole studies, unbalanced and with gaps: each pair of readers and each part of it against pandas, pingouin, scikit-learn."""
    sets = []
    for i in range(60):
        readers = ["A", "B", "C"][: int(rng.integers(2, 4))]
        rows, frame = [], 0
        for patient in range(int(rng.integers(3, 30))):
            age = None if rng.random() < 0.1 else int(rng.integers(18 * 7, 40 * 7))
            scanner = [None, "Maker One", "Maker Two"][int(rng.integers(0, 3))]
            for _ in range(int(rng.integers(1, 4))):
                truth = rng.normal(12, 12)
                for reader in range(len(readers)):
                    if i % 2 and rng.random() < 0.15:
                        continue
                    mm = None if i % 3 == 0 and rng.random() < 0.1 else float(truth + rng.normal(0.5 * reader, 2))
                    place = None if mm is None else int(np.digitize(mm, [0, 10, 20]))
                    rows.append({"patient": patient, "frame": frame, "reader": reader, "mm": mm, "place": place, "age_days": age, "scanner": scanner})
                frame += 1
        sets.append((readers, rows))
    # Nothing in common but one frame; readers who never differ.
    one = {"patient": 0, "frame": 0, "age_days": 200, "scanner": None, "mm": 5.0, "place": 1}
    sets.append((["A", "B"], [one | {"reader": 0}, one | {"reader": 1, "mm": 12.0, "place": 2}, one | {"reader": 0, "frame": 1}]))
    sets.append((["A", "B"], [one | {"reader": r, "frame": f, "patient": f, "mm": 5.0 + f} for f in range(6) for r in (0, 1)]))
    for i, ((readers, rows), got) in enumerate(zip(sets, ask([{"do": "study", "readers": r, "rows": x} for r, x in sets]))):
        data = pd.DataFrame(rows)
        for first in range(len(readers)):
            for second in range(first + 1, len(readers)):
                a, b = (data[data["reader"] == r].set_index("frame") for r in (first, second))
                both = a.join(b, how="inner", lsuffix="_a", rsuffix="_b")
                found = [p for p in got["pairs"] if (p["first"], p["second"]) == (readers[first], readers[second])]
                label = f"study {i}, {readers[first]} and {readers[second]}"
                yield len(found) == (1 if len(both) else 0), f"{label}: {len(found)} pairs found, {len(both)} frames in common"
                if not found or not len(both):
                    continue
                p = found[0]
                both["d"] = both["mm_a"].astype(float) - both["mm_b"].astype(float)
                both["mean"] = (both["mm_a"].astype(float) + both["mm_b"].astype(float)) / 2
                both["both"] = both["place_a"].notna() & both["place_b"].notna()
                both["changed"] = both["both"] & (both["place_a"] != both["place_b"])
                whole = both.dropna(subset=["d"])
                yield p["changed"] == [int(both["changed"].sum()), int(both["both"].sum())], f"{label}: changed {p['changed']}"
                yield len(p["points"]) == len(whole), f"{label}: {len(p['points'])} points, {len(whole)} expected"
                rest = both[both["both"]]
                if rest[["place_a", "place_b"]].stack().nunique() > 1:
                    pa, pb = rest["place_a"].astype(int), rest["place_b"].astype(int)
                    kinds = {"kappa": None, "kappa_linear": "linear", "kappa_quadratic": "quadratic"}
                    # The bands between the outermost in use keep their places.
                    labels = range(min(pa.min(), pb.min()), max(pa.max(), pb.max()) + 1)
                    theirs = {f"{k}.kappa.value": cohen_kappa_score(pa, pb, labels=labels, weights=w) for k, w in kinds.items()}
                    yield from compare(label + " against scikit-learn", p, theirs)
                if len(whole) >= 5:
                    long = whole.reset_index().melt(id_vars="frame", value_vars=["mm_a", "mm_b"]).astype({"value": float})
                    if whole["d"].abs().max() > 0:
                        theirs = pg.intraclass_corr(long, targets="frame", raters="variable", ratings="value")
                        yield from compare(label + " against pingouin", p, {"icc.icc_2_1.value": theirs["ICC"].iloc[1]})
                parts = {
                    "gestational-age": both["age_days_a"].map(lambda v: "gestational age unknown" if v is None or math.isnan(v) else ("before 32w0d" if v < 224 else "from 32w0d")),
                    "scanner": both["scanner_a"].fillna("scanner not named"),
                    "distance": pd.cut(both["mean"], [-1e9, -1e-12, 10, 20, 1e9], labels=["overlap", "0 to 10 mm", "above 10 to 20 mm", "above 20 mm"])
                    .astype(object).fillna("no signed distance"),
                }
                for by, names in parts.items():
                    groups = {n: g for n, g in both.groupby(names)}
                    ours = {s["part"]["name"]: s for s in p["subgroups"] if s["part"]["by"] == by}
                    yield ours.keys() == groups.keys(), f"{label}, {by}: {sorted(ours)} and {sorted(groups)}"
                    for name in ours.keys() & groups.keys():
                        s, g = ours[name], groups[name]
                        d = g["d"].dropna()
                        yield s["changed"] == [int(g["changed"].sum()), int(g["both"].sum())], f"{label}, {name}: changed {s['changed']}"
                        yield s["pairs"] == len(d) and s["patients"] == g["patient_a"].nunique(), f"{label}, {name}: {s['pairs']} pairs"
                        if len(d) > 1:
                            yield from compare(f"{label}, {name}", s, {"bland_altman.bias.value": d.mean(), "bland_altman.sd.value": d.std(ddof=1)})
                        else:
                            yield s["bland_altman"] is None, f"{label}, {name}: figures from fewer than two pairs"


def main():
    warnings.simplefilter("ignore")
    rng = np.random.default_rng(20261126)
    n_passed, faults = 0, []
    for part in (bland_altman, one_way, nested, own, icc, kappa, study):
        results = list(part(rng))
        faults += [text for ok, text in results if not ok]
        n_passed += sum(1 for ok, _ in results if ok)
        print(f"{part.__name__}: {len(results)} compared")
    for text in faults[:20]:
        print("FAULT", text)
    print(f"{n_passed} passed, {len(faults)} failed")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
