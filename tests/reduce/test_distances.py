"""Prism constants and the first velocity correction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.reduce.books import NAN, gear, setups_of, shots_of
from tieup.config import load_job
from tieup.errors import ConfigError
from tieup.model.settings import Air, Instrument, Light, Precision
from tieup.reduce.air import group_refractivity, refractivity, vapour_pressure, velocity_factor
from tieup.reduce.distances import correct_distances, prism_constants, without_weather

ref_index = pytest.importorskip("ref_index", reason="the test extra has Ciddor's equation")


def ciddor_group(carrier: float, temperature: float, pressure: float, humidity: float) -> float:
    """Return Ciddor's group refractivity in ppm: n - L dn/dL of the phase index, L in nm."""
    wave, step = carrier * 1e3, 0.5

    def phase(nm: float) -> float:
        index = ref_index.ciddor(nm, temperature, pressure * 100.0, humidity, co2=375)
        return float(index)

    slope = (phase(wave + step) - phase(wave - step)) / (2.0 * step)
    return (phase(wave) - wave * slope - 1.0) * 1e6


@pytest.mark.parametrize(
    ("temperature", "pressure", "recalled"),
    [
        (20.0, 800.0, 21458.0),
        (20.0, 1000.0, 26824.4),
        (20.0, 1200.0, 32191.6),
        (10.0, 1000.0, 27774.7),
        (30.0, 1000.0, 25937.2),
    ],
)
def test_the_independent_library_agrees_with_ciddors_table(
    temperature: float, pressure: float, recalled: float
) -> None:
    """Ciddor (1996) table, dry air, 633 nm, 450 ppm CO2, 1e8 (n - 1); from memory."""
    index = ref_index.ciddor(633.0, temperature, pressure * 100.0, 0.0, co2=450)
    assert (float(index) - 1.0) * 1e8 == pytest.approx(recalled, abs=0.06)


@pytest.mark.parametrize("carrier", [0.633, 0.658, 0.78, 0.85, 0.91])
@pytest.mark.parametrize("humidity", [0.0, 50.0, 90.0])
def test_the_closed_formula_against_ciddor(carrier: float, humidity: float) -> None:
    """IUGG 1999 closed formula within 0.13 ppm of the full group index, 0 to 30 degrees C."""
    for temperature in (0.0, 15.0, 30.0):
        for pressure in (900.0, 1013.25):
            vapour = vapour_pressure(temperature, humidity, pressure)
            found = float(refractivity(carrier, temperature, pressure, vapour))
            full = ciddor_group(carrier, temperature, pressure, humidity)
            assert found == pytest.approx(full, abs=0.13)  # ppm


def test_closed_formula_worked_value() -> None:
    """0.85 um, 15 C, 1013.25 hPa, e 11 hPa: 278.748 ppm (computed; formula from memory)."""
    assert float(refractivity(0.85, 15.0, 1013.25, 11.0)) == pytest.approx(278.748, abs=5.1e-4)
    assert group_refractivity(0.85) == pytest.approx(294.509, abs=5.1e-4)


def test_one_degree_is_one_ppm_and_a_hectopascal_0_3() -> None:
    """Common practice, no source: about 1 ppm per degree C and 0.3 ppm per hPa."""
    there = float(refractivity(0.85, 20.0, 1000.0, 10.0))
    warmer = float(refractivity(0.85, 21.0, 1000.0, 10.0))
    higher = float(refractivity(0.85, 20.0, 1001.0, 10.0))
    assert there - warmer == pytest.approx(1.0, abs=0.1)
    assert higher - there == pytest.approx(0.28, abs=0.03)
    # Warm thin air lets light run faster: the shown distance is too short.
    assert float(velocity_factor(there, warmer)) > 1.0


def test_vapour_pressure_over_water() -> None:
    """20 C: 23.39 hPa when saturated (steam tables: 2.339 kPa)."""
    assert float(vapour_pressure(20.0, 100.0, 1013.25)) == pytest.approx(23.39, abs=0.15)  # hPa


@pytest.mark.parametrize(("celsius", "saturated"), [(0.0, 6.112), (20.0, 23.389), (40.0, 73.838)])
def test_vapour_pressure_in_moist_air(celsius: float, saturated: float) -> None:
    """Steam tables over water (from memory), 0.07 % more in air and 0.35 % more at 1000 hPa.

    The last two are Buck's (1981), from memory. Of 60 % humidity six tenths.
    """
    thin = float(vapour_pressure(celsius, 100.0, 0.0))
    assert thin == pytest.approx(1.0007 * saturated, rel=1e-3)  # hPa
    dense = float(vapour_pressure(celsius, 100.0, 1000.0))
    assert (dense - thin) / saturated == pytest.approx(3.46e-3, rel=1e-3)
    assert float(vapour_pressure(celsius, 60.0, 1000.0)) == pytest.approx(0.6 * dense, rel=1e-12)


def test_the_constant_of_a_row_goes_before_target_and_instrument() -> None:
    """Row 3 mm; mini 17.5 mm; anything else -30 mm."""
    precision = gear(prism_constant=-0.030, target_constants={"mini": 0.0175})
    rows = [
        dict(distance=10.0, target="mini", prism_constant=0.003),
        dict(distance=10.0, target="mini", point=1),
        dict(distance=10.0, target="round", point=2),
        dict(distance=10.0, target="mini", prism_constant=0.0, point=3),
    ]
    shots = shots_of(rows)
    constant = prism_constants(shots, setups_of(1), precision)
    np.testing.assert_allclose(constant, [0.003, 0.0175, -0.030, 0.0], rtol=0, atol=1e-15)  # m
    found = correct_distances(shots, setups_of(1), precision)
    np.testing.assert_allclose(found, 10.0 + constant, rtol=0, atol=1e-12)  # m


def test_each_instrument_has_its_own_numbers() -> None:
    """Setups of two instruments side by side, one with a scale."""
    precision = Precision({"a": Instrument(scale=1.0001), "b": Instrument(prism_constant=0.01)})
    shots = shots_of([dict(setup=s, point=s, distance=100.0) for s in (0, 1, 2)])
    setups = (*setups_of(1, "a"), *setups_of(1, "b"), *setups_of(1, "a"))
    found = correct_distances(shots, setups, precision)
    np.testing.assert_allclose(found, [100.01, 100.01, 100.01], rtol=0, atol=1e-9)  # m
    assert (correct_distances(shots, setups, Precision()) == 100.0).all()


LIGHT = Light(refractivity=286.34, carrier=0.658)


def test_weather_of_the_row_goes_before_that_of_the_job() -> None:
    """500 m at 30 C in the row, 10 C in the job; a row without weather takes the job's."""
    precision = Precision({"default": Instrument(light=LIGHT)}, air=Air(10.0, 1000.0, 60.0))
    shots = shots_of(
        [
            dict(distance=500.0, temperature=30.0, pressure=950.0),
            dict(distance=500.0, point=1),
            dict(point=2),
        ]
    )
    found = correct_distances(shots, setups_of(1), precision)
    for row, (t, p) in enumerate([(30.0, 950.0), (10.0, 1000.0)]):
        n = float(refractivity(0.658, t, p, vapour_pressure(t, 60.0, p)))
        right = 500.0 * (1 + 286.34e-6) / (1 + n * 1e-6)
        assert found[row] == pytest.approx(right, abs=1e-9)  # m
    assert found[0] - found[1] == pytest.approx(500.0 * 32e-6, abs=500.0 * 3e-6)  # m, 20 C 50 hPa
    assert np.isnan(found[2])


def test_nothing_is_corrected_that_is_not_stated() -> None:
    """Weather without a reference changes nothing; a reference without weather is reported."""
    shots = shots_of([dict(distance=500.0, temperature=35.0, pressure=900.0)])
    assert correct_distances(shots, setups_of(1), Precision())[0] == 500.0
    bare = shots_of([dict(distance=500.0), dict(point=1, direction=1.0)])
    precision = Precision({"default": Instrument(light=LIGHT)})
    assert correct_distances(bare, setups_of(1), precision)[0] == 500.0
    assert without_weather(bare, setups_of(1), precision).tolist() == [True, False]
    assert not without_weather(bare, setups_of(1), Precision()).any()


def job(folder: Path, text: str):
    (folder / "raw").mkdir(exist_ok=True)
    (folder / "raw" / "a.csv").write_text("setup,point,distance\nS1,P1,1\n", encoding="utf-8")
    (folder / "job.yaml").write_text(f"units: {{angle: deg, length: m}}\n{text}", encoding="utf-8")
    return load_job(folder)


def test_job_yaml_states_constants_scale_and_reference(tmp_path: Path) -> None:
    """mm and ppm become m and 1; a reference by air is the refractivity of that air."""
    found = job(
        tmp_path,
        "instruments:\n  default:\n    prism_constant: -30\n    target_constants: {mini: 17.5}\n"
        "    scale: 1.00001\n    reference: {temperature: 15, pressure: 1013.25, humidity: 0, "
        "carrier: 0.85}\n"
        "atmosphere: {temperature: 22, pressure: 980}\nset_limits: {direction: 5, distance: 3}\n",
    ).precision
    gear_ = found.instruments["default"]
    assert gear_.prism_constant == pytest.approx(-0.030)
    assert gear_.target_constants == {"mini": pytest.approx(0.0175)}
    assert gear_.scale == 1.00001
    assert gear_.light is not None
    dry = 273.15 / 288.15 * group_refractivity(0.85)
    assert gear_.light.refractivity == pytest.approx(dry, abs=1e-9)
    assert (found.air.temperature, found.air.pressure, found.air.humidity) == (22.0, 980.0, 60.0)
    assert found.set_limits is not None
    assert found.set_limits.distance == pytest.approx(0.003)
    assert found.set_limits.zenith == np.inf


def test_a_reference_needs_a_refractivity_or_the_air_that_has_it(tmp_path: Path) -> None:
    """A carrier alone says nothing."""
    with pytest.raises(ConfigError, match="has neither refractivity nor temperature and pressure"):
        job(tmp_path, "instruments: {default: {reference: {carrier: 0.85}}}\n")


def test_a_job_that_states_nothing_has_no_corrections(tmp_path: Path) -> None:
    """No light, no constants, no grid, no limits; the weather is not known."""
    found = job(tmp_path, "")
    assert found.precision == Precision() or found.precision.instruments == {
        "default": Instrument()
    }
    assert found.grid is None and found.precision.set_limits is None
    assert np.isnan([found.precision.air.temperature, NAN]).all()
