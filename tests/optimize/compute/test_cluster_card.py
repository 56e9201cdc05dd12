"""Workers with a card on a real Dask scheduler, this processor in the card's place.

Kind: comparison with the same march in this process, to the last bit; and refusals.
"""

import pytest

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")

from layers.conditions import Conditions
from layers.errors import InputError
from layers.strike.settings import LEVELS
from optimize.compute import jobs
from optimize.compute.card import OnCard
from optimize.compute.cluster import Cluster
from optimize.compute.cluster_card import with_cards
from optimize.compute.compiled import compiled_for
from optimize.compute.evaluator import model_version_under
from optimize.compute.pool import computing
from tests.helpers.builds import random_balls
from tests.helpers.loopback import loopback_cluster
from tests.helpers.marching import SMALL, Here, needs_compiler
from tests.optimize.commands.test_app import refused

pytestmark = needs_compiler

DOUBLE = Conditions().in_double()
ON_CARD = ("mass_g", "wedge full fast.spin_rpm")
NAMES = (*ON_CARD, "deflection_mm")

# Read by a worker as it starts: this processor is its card.
_CARD = """
from layers.gpu import card
from layers.strike.settings import LEVELS
from tests.helpers.marching import SMALL, Here
LEVELS["default"] = SMALL
card.find_card = lambda number=0: Here(name={name!r})
"""
_NONE = """
from layers.strike.settings import LEVELS
from tests.helpers.marching import SMALL
LEVELS["default"] = SMALL
"""


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cluster")
    for name in ("this processor", "another"):
        (folder / f"{name}.py").write_text(_CARD.format(name=name))
    (folder / "none.py").write_text(_NONE)
    with loopback_cluster(folder, workers=0) as cluster:
        cluster.add_worker("--preload", str(folder / "none.py"))
        add_card(cluster)
        cluster.wait(2)
        yield cluster


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)


def add_card(cluster, name="this processor"):
    preload = str(cluster.folder / f"{name}.py")
    return cluster.add_worker("--preload", preload, "--resources", "GPU=1")


def requests(count, names=NAMES):
    return [(ball, names) for ball in random_balls(count, 7)]


def here(asked):
    with computing(OnCard((Here(),)), DOUBLE) as compute:
        return dict(compute(asked))


def test_impacts_go_to_the_card_and_the_answer_is_the_cards(standing, small, monkeypatch):
    monkeypatch.setattr(jobs, "CHUNK", 2)
    told, asked = [], requests(5)
    cluster = with_cards(Cluster(standing.address, told.append), "gpu")
    with computing(cluster, DOUBLE) as compute:
        # The worker without a card would refuse its part: no library for one is installed.
        there = dict(compute(asked))
        again = dict(compute(asked[:1]))
    assert there == here(asked)
    assert again == {0: there[0]}
    assert told == [f"2 workers at {standing.address}, 1 with this processor."]
    assert standing.unfinished() == 0
    assert model_version_under(DOUBLE, cluster) == model_version_under(DOUBLE, OnCard((Here(),)))
    assert compiled_for(NAMES, cluster) == {"deflection_mm"}


@pytest.mark.slow
def test_a_killed_card_worker_loses_nothing(standing, small, monkeypatch):
    monkeypatch.setattr(jobs, "CHUNK", 1)
    told, asked = [], requests(8, ON_CARD)

    def tell(sentence):
        told.append(sentence)
        if "No worker with a card" in sentence:
            add_card(standing)

    cluster = with_cards(Cluster(standing.address, tell, worker_timeout_s=600.0), "gpu")
    there = {}
    with computing(cluster, DOUBLE) as compute:
        for place, estimate in compute(asked):
            if not there:
                standing.kill(standing.workers[-1])
            there[place] = estimate
    assert there == here(asked)
    assert any("is gone; 1 left" in sentence for sentence in told)
    assert f"No worker with a card at {standing.address}; waiting up to 600 s for one." in told
    assert standing.unfinished() == 0


@pytest.mark.slow
def test_a_card_of_another_kind_is_refused_and_left_out_later(standing, small):
    told, asked = [], requests(2)
    cluster = with_cards(Cluster(standing.address, told.append), "gpu")
    other = add_card(standing, "another")
    standing.wait(3)
    with pytest.raises(InputError, match=r"cards of several kinds \(another, this processor\)"):
        with_cards(Cluster(standing.address), "gpu")
    with computing(cluster, DOUBLE) as compute:
        dict(compute(asked))
        while not any("kept apart" in sentence for sentence in told):
            dict(compute(asked))
    standing.kill(other)
    assert "has another, not this processor: their figures are kept apart. Its card is left" in (
        "".join(told)
    )


def test_no_worker_with_a_card_is_one_sentence(tmp_path):
    with loopback_cluster(tmp_path, workers=0) as bare:
        text = refused("search", "x.toml", "--cluster", bare.address, "--device", "gpu")
        assert "offers a card: start one with 'dask worker" in text
        assert "--resources GPU=1" in text
        told = []
        plain = Cluster(bare.address, told.append)
        assert with_cards(plain, "gpu-or-cpu") == plain
        assert told[0].startswith("The CPU computes: no worker at")
        with pytest.raises(InputError, match=r"--device is 'gpu:1', but with --cluster must be"):
            with_cards(plain, "gpu:1")
