"""How many builds a search proposes at a time on graphics cards, where its scenario says nothing.

A card takes as long for one impact as for one on each of its multiprocessors, and is used to nine
tenths from eight on each. But a generation learns nothing of itself: of a given budget, many small
generations make more than a few large ones (measured: docs/gpu.md). So generations fill the cards
only as far as the budget has enough of them.
"""

from layers.conditions import Conditions
from layers.gpu.many import impacts_behind
from optimize.compute.card import OnCard
from optimize.compute.cluster import Cluster
from optimize.compute.one import Elsewhere
from optimize.scenario.brief import LARGEST_POPULATION, Scenario
from optimize.search.loop import BATCHES_A_GENERATION

# Impacts on each multiprocessor: of an evolutionary search's generation, of an emulator's batch.
_OF_GENERATION, _OF_BATCH = 8, 1
# Generations, or an emulator's batches, that a budget shall have at least.
_FEWEST = 20


def with_population(scenario: Scenario, workers: int | Elsewhere) -> Scenario:
    """Return a scenario with the population that fills the cards, if it states none.

    Of a cluster, whose workers come and go, one card counts: the answer must not hang on how many
    were there.

    Parameters
    ----------
    scenario : Scenario
    workers : int, Cluster or OnCard
        What computes; processors and their processes are filled by any population.
    """
    processors = _processors(workers)
    if not processors or "population" in scenario.model_fields_set:
        return scenario
    conditions = scenario.estimate_conditions() or Conditions()
    behind = impacts_behind(scenario.figures(), len(scenario.layer), conditions)
    impacts = len(behind.launches) + len(behind.barrier)
    if not impacts:
        return scenario
    if scenario.method == "direct":
        wanted = min(_OF_GENERATION * processors // impacts, scenario.evaluations // _FEWEST)
    else:
        left = scenario.evaluations // 2  # the start takes half of the budget, or less
        batch = min(_OF_BATCH * processors // impacts, left // _FEWEST)
        wanted = BATCHES_A_GENERATION * batch
    population = min(max(wanted, scenario.population), LARGEST_POPULATION)
    return scenario.model_copy(update={"population": population})


def card_of(workers: int | Elsewhere) -> str:
    """Name the kind of card that computes impacts; empty without one.

    Parameters
    ----------
    workers : int, Cluster or OnCard
        What computes.
    """
    if isinstance(workers, OnCard):
        count = len(workers.devices)
        return f"{count} x {workers.devices[0].name}" if count > 1 else workers.devices[0].name
    return workers.card.name if isinstance(workers, Cluster) and workers.card else ""


def _processors(workers: int | Elsewhere) -> int:
    """Count the multiprocessors that compute; 0 without a card."""
    if isinstance(workers, OnCard):
        return sum(device.processors for device in workers.devices)
    return workers.card.processors if isinstance(workers, Cluster) and workers.card else 0
