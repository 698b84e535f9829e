"""Ages of the sites' newest samples: quantiles over sites, whoever was not heard apart."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.batch import Batch
from gateway.watching.freshness import QUANTILES, Freshness, SiteAges
from rules.signals import N_SIGNALS

NOW_MS = 1_760_000_000_000


def batch(*samples: tuple[int, float]) -> Batch:
    """Samples as (unit row, age in seconds)."""
    rows = np.array([row for row, _ in samples], dtype=np.int32)
    times = np.array([NOW_MS - int(1000 * age_s) for _, age_s in samples], dtype=np.int64)
    return Batch(rows, times, np.zeros((len(samples), N_SIGNALS)))


@pytest.fixture
def ten_sites() -> Freshness:
    freshness = Freshness()
    freshness.know({(f"s{i}", u): 2 * i + j for i in range(10) for j, u in enumerate("ab")},
                   [f"s{i}" for i in range(10)])  # fmt: skip
    return freshness


def test_nobody_was_heard_yet(ten_sites: Freshness) -> None:
    assert ten_sites.ages(NOW_MS, 10.0) == SiteAges(0, 10, 0, ())
    assert ten_sites.ages(NOW_MS, 3601.0) == SiteAges(0, 10, 10, ())


def test_a_site_is_as_fresh_as_its_freshest_unit(ten_sites: Freshness) -> None:
    ten_sites.heard(batch((0, 500.0), (1, 20.0), (0, 900.0)))
    ages = ten_sites.ages(NOW_MS, 10.0)
    assert (ages.heard, ages.unheard) == (1, 9)
    assert ages.quantiles_s == (20.0,) * len(QUANTILES)


def test_quantiles_are_ages_of_sites(ten_sites: Freshness) -> None:
    """Of ten sites with 10, 20 ... 100 s: half are at most 60 s old, nine at most 100."""
    ten_sites.heard(batch(*((2 * i, 10.0 * (i + 1)) for i in range(10))))
    ages = ten_sites.ages(NOW_MS, 10.0)
    assert dict(zip(QUANTILES, ages.quantiles_s, strict=True)) == {
        0.5: 60.0, 0.9: 100.0, 0.99: 100.0, 1.0: 100.0
    }  # fmt: skip


def test_a_backlog_does_not_make_a_site_fresh_and_a_clock_ahead_not_younger_than_new(
    ten_sites: Freshness,
) -> None:
    ten_sites.heard(batch((0, 4000.0), (2, -60.0)))
    ages = ten_sites.ages(NOW_MS, 10.0)
    assert ages.quantiles_s[0] in (0.0, 4000.0)
    assert ages.quantiles_s[-1] == 4000.0
    assert ages.silent == 1


def test_units_that_the_configuration_does_not_have_count_for_nobody(ten_sites: Freshness) -> None:
    ten_sites.heard(batch((500, 1.0)))
    assert ten_sites.ages(NOW_MS, 10.0).heard == 0
    ten_sites.know({("new", "a"): 500}, ["new"])
    assert ten_sites.ages(NOW_MS, 10.0) == SiteAges(1, 0, 0, (1.0,) * 4)


def test_a_fleet_without_sites_has_no_ages() -> None:
    assert Freshness().ages(NOW_MS, 1e6) == SiteAges()
