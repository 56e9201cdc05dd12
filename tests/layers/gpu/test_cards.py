"""Which cards a place names: all, some by number, of one kind; what is refused, in one sentence.

Kind: refusals, with a library that tells of cards that are not there.
"""

import sys
from types import SimpleNamespace

import pytest

from layers.errors import InputError, SolverError
from layers.gpu import card as module
from layers.gpu.many import devices_for


class _Failed(Exception):
    """What the library raises."""


@pytest.fixture
def machine(monkeypatch):
    """Put cards of these kinds into the machine; None is one that answers no more."""
    module.find_card.cache_clear()

    def having(*kinds):
        def properties(number):
            if kinds[number] is None:
                raise _Failed("cudaErrorUnknown: unknown error")
            return {"name": kinds[number].encode(), "multiProcessorCount": 132}

        runtime = SimpleNamespace(
            CUDARuntimeError=_Failed,
            getDeviceCount=lambda: len(kinds),
            getDeviceProperties=properties,
        )
        cuda = SimpleNamespace(
            runtime=runtime,
            driver=SimpleNamespace(CUDADriverError=_Failed),
            memory=SimpleNamespace(OutOfMemoryError=MemoryError),
            compiler=SimpleNamespace(CompileException=SyntaxError),
        )
        monkeypatch.setitem(sys.modules, "cupy", SimpleNamespace(cuda=cuda))

    yield having
    module.find_card.cache_clear()


def numbers(place):
    return [card.number for card in devices_for(place)]


def test_all_cards_of_one_kind_or_those_named(machine):
    machine("one", "one", "one")
    assert numbers("gpu") == [0, 1, 2]
    assert numbers("gpu-or-cpu") == [0, 1, 2]
    assert numbers("gpu:1") == [1]
    assert numbers("gpu:2,0,2") == [2, 0]


def test_cards_of_several_kinds_are_kept_apart(machine):
    machine("one", "other", "one")
    for place in ("gpu", "gpu-or-cpu", "gpu:0,1"):
        with pytest.raises(InputError, match=r"of several kinds \(.*1: other\).*--device gpu:0"):
            devices_for(place)
    assert numbers("gpu:0,2") == [0, 2]
    assert numbers("gpu:1") == [1]


def test_a_card_that_is_not_there_or_hidden(machine, monkeypatch):
    machine("one", "one")
    with pytest.raises(InputError, match=r"card 2 is not there: the machine has 2, counted from 0"):
        devices_for("gpu:2")
    machine()
    monkeypatch.setenv("CUDA_VISIBLE_DEVICES", "")
    with pytest.raises(InputError, match="CUDA_VISIBLE_DEVICES names none that is there"):
        devices_for("gpu")
    told = []
    assert devices_for("gpu-or-cpu", told.append) is None
    assert "CUDA_VISIBLE_DEVICES" in told[0]


def test_a_card_that_answers_no_more_is_named(machine):
    machine("one", None)
    with pytest.raises(SolverError, match=r"graphics card 1 failed: cudaErrorUnknown.*others"):
        devices_for("gpu")
    assert numbers("gpu:0") == [0]


@pytest.mark.parametrize("place", ["gpu:", "gpu:x", "gpu:1,", "gpu-or-cpu:1", "GPU"])
def test_other_words_are_refused(place):
    with pytest.raises(InputError, match="must be one of: cpu, gpu, gpu-or-cpu, gpu:N, gpu:N,M"):
        devices_for(place)
