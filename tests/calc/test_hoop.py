"""Hoop stress and the ramp window against ASTM D1599, Moser, and a published table of pipe ratings.

Status words: *seen* = read in a public copy of the source; *memory* = not; *computed* = an independent computation.
Both formulas are linear in pressure, so tables in psi are used in psi.
"""

import doctest

import numpy as np
import pytest

from rigd.calc import hoop

INCH = 0.0254

# Schedule 40 PVC, 1/8 in to 24 in: outside diameter [in], least wall [in], rating at 2000 psi [psi].
# PVC data table, sd-w.com/channel_flow/pipe_data (seen); 2000 psi: Moser, Buried Pipe Design, ch. 4, p. 204-206 (seen).
SCHEDULE_40 = np.array(
    [
        (0.405, 0.068, 810),
        (0.540, 0.088, 780),
        (0.675, 0.091, 620),
        (0.840, 0.109, 600),
        (1.050, 0.113, 480),
        (1.315, 0.133, 450),
        (1.660, 0.140, 370),
        (1.900, 0.145, 330),
        (2.375, 0.154, 280),
        (2.875, 0.203, 300),
        (3.500, 0.216, 260),
        (4.000, 0.226, 240),
        (4.500, 0.237, 220),
        (5.563, 0.258, 190),
        (6.625, 0.280, 180),
        (8.625, 0.322, 160),
        (10.75, 0.365, 140),
        (12.75, 0.406, 130),
        (14.00, 0.437, 130),
        (16.00, 0.500, 130),
        (18.00, 0.562, 130),
        (20.00, 0.593, 120),
        (24.00, 0.687, 120),
    ]
)


def test_mean_diameter_form_is_the_standards_and_both_its_spellings_agree():
    """B7. ASTM D1599-99(2005), 10.1 (seen): S = P(D-t)/2t, also P(d+t)/2t."""
    stress = hoop.stress_pa(1000.0, 0.840 * INCH, 0.109 * INCH, "mean_diameter")
    assert stress == pytest.approx(3353.211009174312, rel=1e-12)
    bore = 0.840 - 2 * 0.109
    assert stress == pytest.approx(1000.0 * (bore + 0.109) / (2 * 0.109), rel=1e-12)


def test_rating_of_all_23_sizes_matches_the_published_table():
    """B8 (seen), rounded to 10 psi as printed. Every other form must miss the table, or this test could not fail."""
    outside, wall, printed = SCHEDULE_40.T
    rated = hoop.pressure_pa(2000.0, outside * INCH, wall * INCH, "mean_diameter")
    assert len(rated) == 23
    assert np.round(rated / 10.0) * 10.0 == pytest.approx(printed)
    assert np.all(np.abs(rated - printed) <= 5.0)
    for other in set(hoop.FORMS) - {"mean_diameter"}:
        assert np.any(np.abs(hoop.pressure_pa(2000.0, outside * INCH, wall * INCH, other) - printed) > 10.0), other


def test_forms_differ_as_computed_and_lie_in_order():
    """B20, half-inch schedule 40 at 1908.618 psi. Lame: Moser eq. 4.1, p. 184 (seen); numbers computed."""
    expected = {
        "mean_diameter": 6400.0,
        "outside_diameter": 7354.3,
        "inside_diameter": 5445.7,
        "lame_bore": 6542.3,
    }
    assert expected.keys() == hoop.FORMS.keys()
    for form, stress in expected.items():
        got = hoop.stress_pa(1908.618, 0.840 * INCH, 0.109 * INCH, form)
        assert got == pytest.approx(stress, rel=1e-4), form
        assert hoop.pressure_pa(got, 0.840 * INCH, 0.109 * INCH, form) == pytest.approx(1908.618, rel=1e-12)


def test_thin_wall_forms_agree_with_lame_when_the_wall_is_thin():
    """Theory: every form tends to PD/2t as t/D tends to 0; the mean-diameter form does so fastest (second order)."""
    outside, wall = 1.0, 1e-3
    thick = hoop.stress_pa(1e6, outside, wall, "lame_bore")
    assert hoop.stress_pa(1e6, outside, wall, "mean_diameter") == pytest.approx(thick, rel=2e-6)
    assert hoop.stress_pa(1e6, outside, wall, "outside_diameter") == pytest.approx(thick, rel=2e-3)


@pytest.mark.parametrize(
    ("expected", "slowest", "fastest"), [(500.0, 7.143, 8.333), (1000.0, 14.29, 16.67), (1910.0, 27.29, 31.83)]
)
def test_ramp_window(expected, slowest, fastest):
    """B1, B19: 60 s to 70 s to failure, ASTM D1599-18, 4.2 and 9.1.3 (seen); rates computed from it."""
    assert hoop.ramp_window_pa_per_s(expected) == pytest.approx((slowest, fastest), rel=5e-4)


def test_failure_window_includes_its_ends_and_refuses_the_rest():
    """B1, and B6: Note 2 of D1599-18 (seen) says that failures at 65 s and at 85 s differ significantly."""
    inside = [60.0, 65.0, 70.0]
    outside = [0.0, np.nextafter(60.0, 0.0), np.nextafter(70.0, 99.0), 85.0, float("nan")]
    assert [hoop.in_failure_window(time_s) for time_s in inside + outside] == [True] * 3 + [False] * 5


def test_impossible_input_is_refused_in_words():
    for outside, wall in [(1.0, 0.0), (1.0, 0.5), (1.0, -0.1), (float("nan"), 0.1), (float("inf"), 0.1)]:
        with pytest.raises(ValueError, match="is no tube; allowed"):
            hoop.stress_pa(1.0, outside, wall, "mean_diameter")
    with pytest.raises(ValueError, match="allowed: mean_diameter, outside_diameter"):
        hoop.stress_pa(1.0, 1.0, 0.1, "barlow")
    for expected in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="give a best guess"):
            hoop.ramp_window_pa_per_s(expected)
    with pytest.raises(ValueError, match="the earlier first"):
        hoop.ramp_window_pa_per_s(1.0, (70.0, 60.0))


def test_worked_cases_in_the_docstrings():
    assert doctest.testmod(hoop) == (0, 4)
