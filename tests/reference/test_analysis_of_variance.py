"""Statistics of re-measured rounds against certified and published figures.

- NIST StRD, analysis of variance (SiRstv, AtmWtAg, SmLs01 to SmLs09), certified; the files as scipy installs
  them. Certified digits: those left after the data's common leading digits.
- JCGM 100:2008, H.5 (Table H.9), by the outside check values beside the repository.
- D. C. Montgomery, Design and Analysis of Experiments, thermal impedance of ten parts by three inspectors
  (data of S. E. Houf and D. B. Berman, 1988, from a public copy; the book's figures from memory: sums of
  squares 3935.96, 39.27, 48.51, 30.67, components 48.29, 0.56, 0.73, 0.51).
- O. L. Davies's dyestuff yields by REML, as the libraries lme4 and MixedModels.jl publish it: mean 1527.5
  with u 19.3834, variances 1764.05 and 2451.25, deviance 319.65428 (data and figures from memory).
- ISO 5725-2:1994, annex B, example 1, the sulfur content of coal by eight laboratories: repeatability
  standard deviations 0.015, 0.029, 0.017, 0.026, reproducibility 0.026, 0.061, 0.035, 0.058 (data and figures
  from memory; that they fit each other to the last digit speaks for both).
- O. L. Davies and P. L. Goldsmith, Statistical Methods in Research and Production, 1972, p. 136: paste
  strength, two tests of each of three casks of ten batches: mean squares 27.489, 17.545, 0.678, components
  1.657, 8.434, 0.678 (data and figures from memory, likewise).
- NIST/SEMATECH e-Handbook, 6.3.2.2 and 6.3.2.4, charts of single values and of weighted means (from memory).
- JCGM 100:2008, H.3, a line, and with an error common to all values (manual of the GTC library).
- statsmodels' own REML of crossed factors, and its Holm.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from numpy.testing import assert_allclose

from calib_data.review.anova import crossed, nested, one_way
from calib_data.review.charts import individuals, weighted_mean
from calib_data.review.components import reml
from calib_data.review.gauge import gauge_table
from calib_data.review.lines import weighted_line
from calib_data.review.many import holm

NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"


def certified(name):
    """Treatments, responses, and by source (df, ss, ms), then F."""
    if not NIST.is_dir():
        pytest.skip("scipy was installed without its test data")
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    table = [line.split() for line in lines if line.startswith(("Between", "Within"))]
    numbers = [[float(x) for x in row[2:]] for row in table]
    data = np.loadtxt(lines[60:])
    return data[:, 0], data[:, 1], numbers


@pytest.mark.parametrize(
    ("name", "digits"),
    [("SiRstv", 9), ("AtmWtAg", 7), ("SmLs01", 12), ("SmLs02", 12), ("SmLs03", 11), ("SmLs04", 7),
     ("SmLs05", 7), ("SmLs06", 7), ("SmLs07", 2), ("SmLs08", 2), ("SmLs09", 2)],
)  # fmt: skip
def test_nist_certified(name, digits):
    groups, values, ((df_b, ss_b, ms_b, f), (df_w, ss_w, ms_w)) = certified(name)
    found = one_way(values, groups)
    between, within = found.lines
    assert (between.df, within.df) == (df_b, df_w)
    got = [between.ss, between.ms, within.ss, within.ms, found.f]
    assert_allclose(got, [ss_b, ms_b, ss_w, ms_w, f], rtol=10.0**-digits)


def test_gum_h5(checks):
    told, within = checks["GUM-H5"]["expected"], checks["GUM-H5"]["tolerance"]
    means = np.array(checks["GUM-H5"]["inputs"]["daily_means_uV_above_10V"])
    s = np.array(checks["GUM-H5"]["inputs"]["daily_s_uV"])
    # Five values of each day with that mean and that deviation: the analysis knows no more of them.
    pattern = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    pattern /= pattern.std(ddof=1)
    values = (means[:, None] + s[:, None] * pattern).ravel()
    found = one_way(values, np.repeat(np.arange(10), 5))
    got = {
        "F": found.f,
        "s_a_uV": np.sqrt(found.lines[0].ms),
        "s_pooled_uV": found.spreads["repeatability"].value,
        "s_B_uV": found.spreads["between groups"].value,
    }
    for name, value in got.items():
        assert value == pytest.approx(told[name], abs=within[name])
    assert found.f > told["F95_9_40"]
    assert found.p < 0.05


IMPEDANCE = """
1 37 42 30 42 28 42 25 40 25 35
1 38 41 31 43 30 42 26 40 25 34
1 37 43 31 42 29 43 27 40 25 34
2 41 42 31 43 29 45 28 43 27 35
2 41 42 31 43 30 45 28 42 29 35
2 40 42 31 43 29 45 30 42 28 34
3 41 43 29 42 31 44 29 43 26 35
3 42 42 30 42 29 46 27 43 26 34
3 41 43 28 42 29 45 27 41 26 35
"""


@pytest.fixture(scope="module")
def impedance():
    rows = [line.split() for line in IMPEDANCE.strip().splitlines()]
    return pd.DataFrame(
        [(row[0], str(part), f"{row[0]}/{part}", float(y)) for row in rows for part, y in enumerate(row[1:])],
        columns=["person", "set_up", "cell", "y"],
    )


def test_two_crossed_random_factors(impedance):
    found = crossed(impedance, "y", "set_up", "person")
    assert_allclose([line.ss for line in found.lines], [3935.96, 39.27, 48.51, 30.67], atol=0.005)
    assert [line.df for line in found.lines] == [9, 2, 18, 60]
    names = ("between set-ups", "between persons", "persons by set-up", "repeatability")
    variances = [found.spreads[name].value ** 2 for name in names]
    assert_allclose(variances, [48.29, 0.56, 0.73, 0.51], atol=0.005)
    assert found.spreads["intermediate"].value ** 2 == pytest.approx(0.5646 + 0.7280 + 0.5111, abs=1e-3)


def test_reml_is_the_analysis_of_variance_where_the_design_is_balanced(impedance):
    found = reml(impedance, "y", ["set_up", "person", "cell"])
    by_anova = crossed(impedance, "y", "set_up", "person").spreads
    for factor, name in (
        ("set_up", "between set-ups"),
        ("person", "between persons"),
        ("cell", "persons by set-up"),
    ):
        assert found.factors[factor].spread.value == pytest.approx(by_anova[name].value, rel=1e-5)
    assert found.residual == pytest.approx(by_anova["repeatability"].value, rel=1e-5)


DYESTUFF = """1545 1440 1440 1520 1580 1540 1555 1490 1560 1495 1595 1550 1605 1510 1560
1445 1440 1595 1465 1545 1595 1630 1515 1635 1625 1520 1455 1450 1480 1445"""


def test_dyestuff_by_reml():
    frame = pd.DataFrame({"y": np.array(DYESTUFF.split(), float), "batch": np.repeat(list("ABCDEF"), 5)})
    found = reml(frame, "y", ["batch"])
    assert (found.mean, found.u_mean) == pytest.approx((1527.5, 19.3834), rel=1e-6)
    assert found.factors["batch"].spread.value ** 2 == pytest.approx(1764.05, rel=1e-5)
    assert found.residual**2 == pytest.approx(2451.25, rel=1e-5)
    assert found.deviance == pytest.approx(319.65428, abs=1e-5)


@pytest.mark.filterwarnings("ignore")
def test_unbalanced_crossed_factors_as_another_library_has_them():
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(4)
    n = 150
    frame = pd.DataFrame({"a": rng.integers(0, 6, n), "b": rng.integers(0, 9, n)})
    frame["y"] = rng.normal(size=n) + 0.6 * rng.normal(size=6)[frame.a] + 0.4 * rng.normal(size=9)[frame.b]
    found = reml(frame, "y", ["a", "b"])
    theirs = mixed.MixedLM.from_formula(
        "y~1", frame, re_formula="0", vc_formula={"a": "0+C(a)", "b": "0+C(b)"}, groups=np.ones(n)
    ).fit(reml=True)
    ours = [found.factors[name].spread.value ** 2 for name in "ab"]
    assert_allclose([*ours, found.residual**2], [*theirs.vcomp, theirs.scale], rtol=1e-3)


# By laboratory, its rounds; in each, the four levels.
SULFUR = {
    1: "0.71 1.20 1.68 3.26, 0.71 1.18 1.70 3.26, 0.70 1.23 1.68 3.20, 0.71 1.21 1.69 3.24",
    2: "0.69 1.22 1.64 3.20, 0.67 1.21 1.64 3.20, 0.68 1.22 1.65 3.20",
    3: "0.66 1.28 1.61 3.37, 0.65 1.31 1.61 3.36, 0.69 1.30 1.62 3.38",
    4: "0.67 1.23 1.68 3.16, 0.65 1.18 1.66 3.22, 0.66 1.20 1.66 3.23",
    5: "0.70 1.31 1.64 3.20, 0.69 1.22 1.67 3.19, 0.66 1.22 1.60 3.18, 0.71 1.24 1.66 3.27, "
    "0.69 nan 1.68 3.24",
    6: "0.73 1.39 1.70 3.27, 0.74 1.36 1.73 3.31, 0.73 1.37 1.73 3.29",
    7: "0.71 1.20 1.69 3.27, 0.71 1.26 1.70 3.24, 0.69 1.26 1.68 3.23",
    8: "0.70 1.24 1.67 3.25, 0.65 1.22 1.68 3.26, 0.68 1.30 1.67 3.26",
}
SULFUR_SPREADS = [(0.015, 0.026), (0.029, 0.061), (0.017, 0.035), (0.026, 0.058)]


@pytest.mark.parametrize("level", range(4))
def test_repeatability_and_reproducibility_between_laboratories(level):
    rows = [(lab, row.split()) for lab, told in SULFUR.items() for row in told.split(",")]
    frame = pd.DataFrame([(lab, float(row[level])) for lab, row in rows], columns=["shop", "value"]).dropna()
    frame = frame.assign(
        study="", set_up=f"level {level + 1}", person=frame["shop"], distance_mm=frame["value"]
    )
    told = gauge_table(frame).set_index("spread")["value"]
    assert (told["repeatability"], told["reproducibility"]) == pytest.approx(SULFUR_SPREADS[level], abs=5e-4)
    parts = (told["repeatability"], told["between shops"])
    assert np.hypot(*parts) == pytest.approx(told["reproducibility"], rel=1e-12)


PASTE = """62.8 62.6 60.1 62.3 62.7 63.1 60.0 61.4 57.5 56.9 61.1 58.9 58.7 57.5 63.9 63.1 65.4 63.7
57.1 56.4 56.9 58.6 64.7 64.5 55.1 55.1 54.7 54.2 58.8 57.5 63.4 64.9 59.3 58.1 60.5 60.0
62.5 62.6 61.0 58.7 56.9 57.7 59.2 59.4 65.2 66.0 64.8 64.1 54.8 54.8 64.0 64.0 57.7 56.8
58.3 59.3 59.2 59.2 58.9 56.6"""


def test_nested_factors():
    batch, cask = np.repeat(np.arange(10), 6), np.tile(np.repeat(np.arange(3), 2), 10)
    found = nested(np.array(PASTE.split(), float), batch, cask)
    assert [line.df for line in found.lines] == [9, 20, 30]
    assert_allclose([line.ms for line in found.lines], [27.489, 17.545, 0.678], atol=5e-4)
    names = ("between shops", "between persons", "repeatability")
    assert_allclose([found.spreads[n].value ** 2 for n in names], [1.657, 8.434, 0.678], atol=5e-4)
    assert found.spreads["reproducibility"].value ** 2 == pytest.approx(1.6573 + 8.4337 + 0.6780, abs=1e-3)


@pytest.mark.filterwarnings("ignore")
def test_nested_factors_of_any_numbers_agree_with_restricted_likelihood_on_average():
    """Both estimate the same components; with unequal numbers they are not the same figures."""
    rng = np.random.default_rng(5)
    shop = np.repeat(np.arange(12), rng.integers(4, 14, 12))
    person = 100 * shop + rng.integers(0, 3, len(shop))
    y = rng.normal(size=len(shop)) + 2.0 * rng.normal(size=12)[shop] + 1.5 * rng.normal(size=1200)[person]
    spreads = nested(y, shop, person).spreads
    frame = pd.DataFrame({"y": y, "shop": shop, "person": person})
    by_reml = reml(frame, "y", ["shop", "person"])
    assert spreads["repeatability"].value == pytest.approx(by_reml.residual, rel=0.05)
    assert spreads["between persons"].value == pytest.approx(by_reml.factors["person"].spread.value, rel=0.15)
    assert spreads["between shops"].value == pytest.approx(by_reml.factors["shop"].spread.value, rel=0.15)


FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
PROCESS = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
           49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip


def test_chart_of_single_values():
    chart = individuals(np.array(FLOW))
    assert (chart.centre, chart.lower[0], chart.upper[0]) == pytest.approx(
        (50.81, 45.8159, 55.8041), abs=1e-4
    )
    assert not chart.beyond.any()


def test_chart_of_weighted_means():
    chart = weighted_mean(np.array(PROCESS), weight=0.3, centre=50.0, s=2.0539)
    # The handbook's limits are those after many values.
    assert (chart.lower[-1], chart.upper[-1]) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    assert_allclose(chart.points[:5], [50.60, 49.52, 50.56, 50.18, 50.16], atol=0.005)
    assert_allclose(chart.points[-5:], [49.92, 50.73, 51.23, 51.94, 51.99], atol=0.005)
    assert not chart.beyond.any()


T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def test_gum_h3_line_alone_and_with_a_common_error():
    x, y = np.array(T) - 20, np.array(B)
    line = weighted_line(x, y)
    assert (line.at_zero, line.slope) == pytest.approx((-0.17120379013135, 0.00218269773988729), rel=1e-11)
    assert (line.u_slope, line.chi2) == pytest.approx((0.000667938773227823, 0.000110096583109), rel=1e-9)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    common = weighted_line(x, y, u_common=0.005)
    assert common.u_at_zero == pytest.approx(0.00576893138292676, rel=1e-9)
    assert (common.slope, common.u_slope) == (line.slope, line.u_slope)


def test_holm_as_another_library_has_it():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.random.default_rng(2).uniform(0, 0.2, 40)
    assert_allclose(holm(p), multitest.multipletests(p, method="holm")[1], rtol=1e-12)
    assert np.isnan(holm(np.array([np.nan, 0.01]))[0])
    assert holm(np.array([np.nan, 0.01]))[1] == 0.01
