"""A campaign that a cluster carries finds what one process finds."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import redirect_stdout
from dataclasses import replace
from functools import partial
from io import StringIO
from pathlib import Path

import pytest
from distributed import Client, LocalCluster

from controller_sim.cli import main
from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.testing.planted import OtherDesign
from controller_sim.verify.campaigns import CHUNK, campaign
from controller_sim.verify.drawing import SESSIONS

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
TIMING = load_design(CONFIGS / "booth.yaml").timing
LATE = OtherDesign(partial(replace, timing=replace(TIMING, double_us=TIMING.double_us + 1)))
BUDGET = 3 * CHUNK * SESSIONS

pytestmark = pytest.mark.filterwarnings("error")


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        yield cluster


@pytest.mark.parametrize(("name", "factory"), [("booth", LATE), ("starter", FastEngine)], ids=["something wrong", "nothing wrong"])
def test_the_same_seed_finds_and_reaches_the_same_on_a_cluster(cluster: LocalCluster, name: str, factory: object) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    with Client(cluster) as client:
        spread = campaign(design, 5, BUDGET, factory, submitter=client, processes=2)
    assert spread == campaign(design, 5, BUDGET, factory)


def told(*arguments: str) -> dict[str, object]:
    out = StringIO()
    with redirect_stdout(out):
        assert main(["fuzz", str(CONFIGS / "starter.yaml"), "--examples", str(BUDGET), "--seed", "5", "--json", *arguments]) == 0
    return json.loads(out.getvalue())


def test_the_command_line_tells_the_same_of_a_cluster_as_of_one_process(cluster: LocalCluster) -> None:
    assert told("--cluster", cluster.scheduler_address) == told()
