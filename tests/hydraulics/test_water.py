"""IAPWS check values; the releases' tables and the `iapws` package are the outside references."""

from __future__ import annotations

import numpy as np
import pytest
from iapws._iapws import _Liquid

from monitor.hydraulics.water import HIGHEST, LOWEST, density, viscosity

# IAPWS SR6-08 (2011), Table 8: check values of the properties of liquid water at 0.1 MPa.
SR6_TABLE_8 = [(260.0, 3058.36075, 997.068360), (298.15, 889.996774, 997.047013), (375.0, 276.207245, 957.009710)]

# IAPWS-95 with IAPWS R12-08 at 0.1 MPa, as CoolProp 8.0.0 and iapws 1.5.5 give it: degC, uPa s, kg/m^3.
IAPWS95 = [
    (5, 1518.175, 999.9660), (10, 1305.901, 999.7018), (15, 1137.568, 999.1020), (20, 1001.597, 998.2065),
    (25, 890.023, 997.0470), (30, 797.222, 995.6489), (40, 652.729, 992.2158), (60, 466.035, 983.1952),
    (80, 354.050, 971.7898),
]  # fmt: skip


@pytest.mark.parametrize(("kelvin", "micropascal_seconds", "kilograms"), SR6_TABLE_8)
def test_release_table_is_met_to_its_last_digit(kelvin, micropascal_seconds, kilograms):
    assert viscosity(kelvin) * 1e6 == pytest.approx(micropascal_seconds, rel=2e-9)
    assert density(kelvin) == pytest.approx(kilograms, rel=1e-9)


@pytest.mark.parametrize(("celsius", "micropascal_seconds", "kilograms"), IAPWS95)
def test_full_formulation_is_met_within_the_releases_own_difference(celsius, micropascal_seconds, kilograms):
    # The correlation differs from the full formulation by up to 3.1e-5 between 0.1 and 99 degC.
    assert viscosity(celsius + 273.15) * 1e6 == pytest.approx(micropascal_seconds, rel=4e-5)
    assert density(celsius + 273.15) == pytest.approx(kilograms, rel=2e-6)


def test_the_iapws_package_agrees_over_the_whole_range():
    for kelvin in np.linspace(253.2, 383.1, 400):
        reference = _Liquid(float(kelvin))
        assert viscosity(kelvin) == pytest.approx(reference["mu"], rel=1e-12)
        assert density(kelvin) == pytest.approx(reference["rho"], rel=1e-12)


@pytest.mark.parametrize("kelvin", [LOWEST - 0.01, HIGHEST + 0.01, np.nan])
def test_outside_the_range_nothing_is_said(kelvin):
    assert np.isnan(viscosity(kelvin))
    assert np.isnan(density(kelvin))
