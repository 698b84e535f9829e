"""Disks that fill up and are freed: what cannot be written waits, at the broker if need be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from support.small_disk import CannotMountError, SmallDisk
from support.watched_sites import WatchedSites

Watch = Callable[..., WatchedSites]


@contextmanager
def small_disk(directory: Path) -> Iterator[SmallDisk]:
    disk = SmallDisk(directory, size_mb=12)
    try:
        disk.__enter__()
    except CannotMountError as error:
        pytest.skip(str(error))
    try:
        yield disk
    finally:
        disk.__exit__()


def test_the_disk_of_all_data_is_full_for_a_while(watch: Watch, folder: Path, seed: int) -> None:
    with small_disk(folder / "disk") as disk:
        watched = watch(seed, data=disk.directory / "data")
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            watched.until_published(sites, 0.3)
            disk.fill()
            gateway.wait_for_line("journal.sqlite cannot be written: the disk is full")
            watched.until_published(sites, 0.6)
            disk.free()
            gateway.wait_for_line("The journal can be written again")
            sites.finish()
            watched.settle()
        watched.prove()


def test_the_gateway_is_killed_while_its_disk_is_full(
    watch: Watch, folder: Path, seed: int
) -> None:
    """It starts as far as it can, or says why not; freed, it goes on where it was."""
    with small_disk(folder / "disk") as disk:
        watched = watch(seed, data=disk.directory / "data")
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            watched.until_published(sites, 0.3)
            disk.fill()
            gateway.wait_for_line("journal.sqlite cannot be written: the disk is full")
            gateway.kill()
            gateway.start(wait=False)
            gateway.ended_within(3)
            gateway.kill()
            disk.free()
            gateway.start()
            sites.finish()
            watched.settle()
        watched.prove()


@pytest.mark.parametrize("name", ["journal.sqlite", "telemetry.sqlite", "records.sqlite"])
def test_one_files_disk_is_full_for_a_while(
    watch: Watch, folder: Path, seed: int, name: str
) -> None:
    """The others go on; each file may lie on a disk of its own, behind a link."""
    data = folder / "data"
    data.mkdir()
    with small_disk(folder / "disk") as disk:
        (data / name).symlink_to(disk.directory / name)
        watched = watch(seed)
        with watched.gateway as gateway, watched.sites(pause_s=0.05) as sites:
            watched.until_published(sites, 0.3)
            disk.fill()
            gateway.wait_for_line(" ERROR ")
            if name == "journal.sqlite":
                watched.until_published(sites, 0.6)
            else:
                sites.finish()
                gateway.until(lambda: gateway.status["messages"] >= len(watched.messages))
            disk.free()
            sites.finish()
            watched.settle()
        watched.prove()
