"""Evaluations on a Dask cluster: a search's batches computed by workers on other machines.

Dask transports builds and figures, runs the workers and knows which are alive;
`optimize.compute.dispatch` decides which worker computes what.
"""

import asyncio
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from layers.arrays import Level
from layers.conditions import Conditions
from layers.errors import InputError
from optimize.compute.card import label_of
from optimize.compute.certificates import connection_arguments, why_refused

if TYPE_CHECKING:
    from distributed import Client

    from optimize.compute.cluster_work import Kind
    from optimize.compute.one import Compute

_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9a-fA-F:.]+\]|[^\s/:\[\]]+):(\d{1,5})")


def _silent(_: str) -> None:
    """Report nothing."""


@dataclass(frozen=True)
class Cluster:
    """A Dask cluster by the address of its scheduler.

    Attributes
    ----------
    address : str
        Such as ``tcp://192.168.0.7:8786``.
    tell : callable
        Called with one sentence when workers come, go, or are refused.
    connect_timeout_s : float
        Longest time to wait for the scheduler's answer, s.
    worker_timeout_s : float
        Longest time to wait for a worker while there is none, s.
    card : Kind, optional
        Of the workers' cards, see `optimize.compute.cluster_card.with_cards`; none is used
        otherwise.

    Raises
    ------
    InputError
        If the address is malformed.
    """

    address: str
    tell: Callable[[str], None] = _silent
    connect_timeout_s: float = 10.0
    worker_timeout_s: float = 300.0
    card: "Kind | None" = None

    def __post_init__(self) -> None:
        match = _ADDRESS.fullmatch(self.address)
        if match is None or not 0 < int(match[3]) < 65536:
            raise InputError(
                f"--cluster is {self.address!r}, but must be a Dask scheduler's address such as "
                f"tcp://192.168.0.7:8786."
            )

    def label(self, conditions: Conditions | None) -> str:
        """Name kind of card and precision, as ledgers keep their figures apart; empty without."""
        return label_of(self.card.name, conditions) if self.card else ""

    @contextmanager
    def computing(
        self, conditions: Conditions | None, level: Level = "default"
    ) -> Iterator["Compute"]:
        """Provide a function that computes a batch; see `optimize.compute.pool.computing`.

        Raises
        ------
        InputError
            If the library is not installed, no scheduler answers, or a worker runs other versions.
        """
        from optimize.compute.dispatch import Dispatch

        with connected(self) as client:
            dispatch = Dispatch(
                self.address,
                client,
                conditions,
                level,
                self.tell,
                self.connect_timeout_s,
                self.worker_timeout_s,
                self.card.name if self.card else "",
            )
            try:
                dispatch.check_versions()
                yield dispatch.compute
            finally:
                dispatch.close()


@contextmanager
def connected(cluster: Cluster) -> Iterator["Client"]:
    """Connect to a cluster.

    Parameters
    ----------
    cluster : Cluster

    Raises
    ------
    InputError
        If the library is not installed, or no scheduler answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            "--cluster needs the library 'distributed': pip install 'orbwright[cluster]'."
        ) from error
    options = connection_arguments(cluster.address)
    limit = cluster.connect_timeout_s
    with _quiet():
        try:
            asyncio.run(asyncio.wait_for(_ask(cluster, options), limit))
            client = Client(cluster.address, timeout=limit, set_as_default=False)
        except Exception as error:  # of many kinds, by what listens there instead
            raise InputError(
                why_refused(cluster.address, error)
                or f"No Dask scheduler answers at {cluster.address} within {limit:.1f} s: "
                f"start one there with 'dask scheduler'."
            ) from error
        try:
            yield client
        finally:
            with suppress(Exception):  # the scheduler may be gone
                client.close(timeout=2.0)


async def _ask(cluster: Cluster, options: dict[str, Any]) -> None:
    """Check that a scheduler answers; the client itself would wait for ever for a silent port."""
    from distributed.comm.core import connect

    # Shorter than the caller's limit, so that the reason is reported.
    comm = await connect(cluster.address, timeout=0.8 * cluster.connect_timeout_s, **options)
    await comm.write({"op": "identity", "reply": True})
    answer = await comm.read()
    await comm.close()
    if answer["type"] != "Scheduler":
        raise ValueError(f"a {answer['type']} answers")


@contextmanager
def _quiet() -> Iterator[None]:
    """Silence the library's log and its warnings on versions: this module reports what matters."""
    import logging
    import warnings

    loggers = [logging.getLogger(name) for name in ("distributed", "tornado", "asyncio")]
    before = [logger.level for logger in loggers]
    try:
        for logger in loggers:
            logger.setLevel(logging.CRITICAL + 1)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        for logger, level in zip(loggers, before, strict=True):
            logger.setLevel(level)
