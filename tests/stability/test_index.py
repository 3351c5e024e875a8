"""Desirabilities, the index and what it is made of."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from poolwatch.model.errors import UsageError
from poolwatch.model.tables import INDEX_PARTS
from poolwatch.stability import (
    Series,
    StabilitySettings,
    collapse_share,
    desirabilities,
    events,
    index_of,
    level,
    mean_of,
    root_level,
    stability_index,
    variation,
)

SETTINGS = StabilitySettings()


def noise(seed: int, n: int = 2000) -> np.ndarray:
    smooth = np.convolve(
        np.random.default_rng(seed).standard_normal(n + 9), np.ones(10) / 10**0.5, mode="valid"
    )
    return smooth[:n]


def length(seed: int = 1, cv: float = 0.05, n: int = 2000) -> Series:
    return Series("pool_length", 3 * (1 + cv * noise(seed, n)), 5000.0, "mm")


def test_half_value_gives_one_half_and_index_is_a_geometric_mean() -> None:
    half = {name: part.half for name, part in SETTINGS.index.parts.items()}
    assert set(half) == set(INDEX_PARTS)
    assert index_of(half, SETTINGS) == pytest.approx(50.0)
    assert index_of(dict.fromkeys(INDEX_PARTS, 0.0), SETTINGS) == pytest.approx(100.0)
    d = desirabilities({"pool_length": 0.05, "keyhole": 0.45}, SETTINGS)
    assert d == pytest.approx({"pool_length": 0.5, "keyhole": 0.25})
    # Equal weights of 0.15: the square root of the product.
    assert mean_of(d, SETTINGS) == pytest.approx(100 * math.sqrt(0.5 * 0.25))


def test_weighted_geometric_mean_of_derringer_and_suich() -> None:
    # Tyre tread compound: desirabilities 0.189, 1, 0.656, 0.932 give 0.583 (Derringer & Suich 1980; published
    # results from memory, recomputed from its data). Four equal weights.
    equal = StabilitySettings.checked(
        {"index": {"parts": {n: {"weight": 1.0} for n in INDEX_PARTS}}}, where="test"
    )
    d = dict(zip(INDEX_PARTS, (0.189, 1.0, 0.656, 0.932), strict=False))
    assert mean_of(d, equal) == pytest.approx(58.3, abs=0.1)


def test_never_saturates() -> None:
    values = [index_of({"pool_length": x}, SETTINGS) for x in (0.0, 1e-6, 0.01, 1.0, 100.0, 1e6)]
    assert values == sorted(values, reverse=True)
    assert len(set(values)) == len(values)
    assert values[-1] > 0


def test_missing_parts_are_left_out_by_name_and_weights_add_up_to_one() -> None:
    found = stability_index({"pool_length": variation(length()), "keyhole": None}, SETTINGS)
    assert found.left_out == tuple(name for name in INDEX_PARTS if name != "pool_length")
    assert sum(part.weight for part in found.parts.values()) == pytest.approx(1.0)
    assert found.value == pytest.approx(index_of({"pool_length": found.parts["pool_length"].x}, SETTINGS))
    assert index_of({"pool_length": 0.05, "keyhole": math.nan}, SETTINGS) == pytest.approx(50.0)


def test_nothing_given_is_missing() -> None:
    found = stability_index({}, SETTINGS)
    assert math.isnan(found.value)
    assert found.left_out == INDEX_PARTS


def test_value_is_that_of_the_parts_and_lies_in_its_interval() -> None:
    frames = np.arange(0, 2000, 50.0)
    shine = Series("keyhole", 0.5 * (1 + 0.1 * noise(3)), 5000.0)
    given = {
        "pool_length": variation(length()),
        "agitation": level(Series("agitation", 0.1 + 0.01 * noise(4), 5000.0)),
        "keyhole": variation(shine),
        "collapses": collapse_share(shine),
        "spatter_count": events(frames, 2000, 20.0),
        "spatter_mass": events(frames, 2000, 0.02, amounts=np.full(40, 0.005)),
    }
    found = stability_index(given, SETTINGS)
    x = {name: part.x for name, part in found.parts.items()}
    assert x["spatter_count"] == pytest.approx(2.0)
    assert x["spatter_mass"] == pytest.approx(10.0)
    assert x["collapses"] == 0.0
    assert found.value == pytest.approx(index_of(x, SETTINGS))
    assert found.low < found.value < found.high
    for part in found.parts.values():
        assert part.x_low <= part.x <= part.x_high
    assert stability_index(given, SETTINGS) == found, "the same digits each time"


def test_no_particle_still_has_an_upper_bound() -> None:
    # None seen: at most 2.512 at 97.5 % (Jeffreys' interval: half of chi-square with one degree of freedom).
    found = stability_index({"spatter_count": events(np.empty(0), 2000, 20.0)}, SETTINGS)
    part = found.parts["spatter_count"]
    assert (part.x, part.x_low) == (0.0, 0.0)
    assert part.x_high == pytest.approx(2.5119 / 20, rel=1e-4)
    assert found.value == 100.0
    assert found.low == pytest.approx(index_of({"spatter_count": part.x_high}, SETTINGS), abs=1.5)
    assert found.high == 100.0


def test_parts_that_move_together_widen_the_interval() -> None:
    same = {"pool_length": variation(length(1)), "pool_width": variation(length(1))}
    apart = {"pool_length": variation(length(1)), "pool_width": variation(length(2))}
    wide, narrow = (stability_index(given, SETTINGS) for given in (same, apart))
    assert (wide.high - wide.low) > 1.2 * (narrow.high - narrow.low)


def test_bursts_widen_the_interval_of_a_count() -> None:
    generator = np.random.default_rng(4)
    single = np.sort(generator.uniform(0, 2000, 100))
    bursts = np.sort((generator.uniform(0, 1990, 10)[:, None] + np.arange(10) * 0.5).ravel())
    plain, burst = (
        stability_index({"spatter_count": events(at, 2000, 20.0)}, SETTINGS) for at in (single, bursts)
    )
    assert plain.value == burst.value
    assert (burst.high - burst.low) > 1.8 * (plain.high - plain.low)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: index_of({"shine": 1.0}, SETTINGS), "unknown index part 'shine'"),
        (lambda: index_of({"keyhole": -0.1}, SETTINGS), "at least 0"),
        (lambda: stability_index({"shine": None}, SETTINGS), "unknown index part"),
        (
            lambda: stability_index(
                {"pool_length": variation(length()), "pool_width": variation(length(n=1000))}, SETTINGS
            ),
            "same frames",
        ),
        (lambda: events(np.array([5.0]), 5, 1.0), "frames 0 to 4"),
        (lambda: events(np.array([1.0]), 5, 0.0), "above 0"),
        (lambda: events(np.array([1.0]), 5, 1.0, amounts=np.ones(2)), "same shape"),
        (
            lambda: StabilitySettings.checked(
                {"index": {"parts": {"shine": {"weight": 1, "half": 1}}}}, where="x"
            ),
            "unknown index part",
        ),
        (
            lambda: StabilitySettings.checked(
                {"index": {"parts": {n: {"weight": 0} for n in INDEX_PARTS}}}, where="x"
            ),
            "add up to 0",
        ),
        (lambda: StabilitySettings.checked({"collapse": {"enter": 0.8}}, where="x"), "leave must be above"),
    ],
)
def test_nonsense_is_refused(call, match: str) -> None:
    with pytest.raises(UsageError, match=match):
        call()


def test_settings_files_may_name_just_what_they_change() -> None:
    changed = StabilitySettings.checked({"index": {"parts": {"keyhole": {"weight": 0.5}}}}, where="test")
    assert changed.index.parts["keyhole"].weight == 0.5
    assert changed.index.parts["keyhole"].half == SETTINGS.index.parts["keyhole"].half
    assert changed.fingerprint() != SETTINGS.fingerprint()
    assert StabilitySettings.checked(SETTINGS.model_dump(mode="json"), where="test") == SETTINGS


def test_steady_brightness_is_not_flattered_by_a_constant_signal() -> None:
    found = stability_index(
        {"pool_length": variation(Series("pool_length", np.full(500, 2.0), 1000.0))}, SETTINGS
    )
    assert found.value == pytest.approx(100.0)


def test_long_clips_stay_quick() -> None:
    # Generous, for loaded machines: 100,000 frames, five signals.
    given = {name: variation(length(i, n=100_000)) for i, name in enumerate(INDEX_PARTS[:3])}
    given["keyhole"] = variation(length(7, n=100_000))
    given["collapses"] = collapse_share(length(7, n=100_000))
    start = time.process_time()
    stability_index(given, SETTINGS)
    assert time.process_time() - start < 5


def test_root_of_a_mean_of_squares_is_not_lifted_by_noise() -> None:
    generator = np.random.default_rng(5)
    power = Series("agitation_power", 0.0025 + 0.03 * generator.standard_normal(4000), 5000.0)
    part = stability_index({"agitation": root_level(power)}, SETTINGS).parts["agitation"]
    assert part.x == pytest.approx(math.sqrt(power.values.mean()), rel=1e-12)
    assert part.x_low < 0.05 < part.x_high
    lifted = level(Series("agitation", np.sqrt(np.maximum(power.values, 0)), 5000.0))
    assert abs(stability_index({"agitation": lifted}, SETTINGS).parts["agitation"].x - 0.05) > 0.015


def test_half_values_stand_as_documented() -> None:
    # A changed half-value changes every index: it is a change of what the figures mean.
    half = {name: part.half for name, part in SETTINGS.index.parts.items()}
    assert half == {
        "pool_length": 0.05, "pool_width": 0.05, "pool_area": 0.08, "agitation": 0.10,
        "keyhole": 0.15, "collapses": 0.02, "spatter_count": 1.0, "spatter_mass": 10.0,
    }  # fmt: skip


def test_no_collapse_in_a_clip_bounds_their_share_by_its_length_not_its_rate() -> None:
    rng = np.random.default_rng(4)
    high = []
    for rate in (5_000.0, 20_000.0):
        keyhole = Series("keyhole_brightness", 0.6 + 0.01 * rng.normal(size=int(0.4 * rate)), rate)
        part = stability_index({"collapses": collapse_share(keyhole)}, SETTINGS).parts["collapses"]
        assert part.x == 0
        high.append(part.x_high)
    # None in 0.4 s: at most 2.51 of them (Jeffreys' interval of a Poisson count of 0: chi-square of one degree of
    # freedom, 97.5 %, halved), each as long as one could stay unseen.
    assert high[0] == pytest.approx(5.024 / 2 * SETTINGS.collapse.unseen_s / 0.4, rel=0.01)
    assert high[1] == pytest.approx(high[0], rel=0.01)


def test_an_unseen_event_counts_as_one() -> None:
    none = events(np.empty(0), 1000, 0.05)
    part = stability_index({"spatter_count": none}, SETTINGS).parts["spatter_count"]
    assert part.x == 0
    assert part.x_high == pytest.approx(5.024 / 2 / 0.05, rel=0.01)
