"""Where cells are carried out: in this process, in a pool of processes, or on a dask cluster."""

from __future__ import annotations

import logging
import multiprocessing
import signal
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Future, ProcessPoolExecutor
from typing import Any, TypeVar

from controller.files import InputError
from sim_plant.bench.campaign.work import Thing, Told, What, Work

Lot = TypeVar("Lot")

LOT = 8  # cells that go out together; enough to make the way there cheap, few enough to see progress


class HandsLostError(RuntimeError):
    """Nobody is left to carry out cells; the message says why."""


class Here:
    """This process, one cell at a time."""

    lot = 1
    lost: tuple[type[BaseException], ...] = ()

    def window(self) -> int:
        """One."""
        return 1

    def submit(
        self, do: Work[What, Thing, Told], order: What, things: tuple[Thing, ...]
    ) -> Future[list[Told]]:
        """Carried out before it returns."""
        future: Future[list[Told]] = Future()
        future.set_result(do(order, things))
        return future

    def close(self) -> None:
        """Nothing to end."""


def _leave_the_keyboard_to_the_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class Pool:
    """So many processes; new ones when one of them died, as the executor then gives all of them up."""

    lot = LOT
    lost: tuple[type[BaseException], ...] = (BrokenExecutor,)

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._executor = self._new()

    def _new(self) -> ProcessPoolExecutor:
        # a forked child would inherit the thread of the progress display
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._jobs, context, _leave_the_keyboard_to_the_parent)

    def window(self) -> int:
        """One lot at work and one waiting for each process."""
        return 2 * self._jobs

    def submit(
        self, do: Work[What, Thing, Told], order: What, things: tuple[Thing, ...]
    ) -> Future[list[Told]]:
        """Start a lot."""
        try:
            return self._executor.submit(do, order, things)
        except BrokenExecutor:
            self.close()
            self._executor = self._new()
            return self._executor.submit(do, order, things)

    def close(self) -> None:
        """End the processes at once, whatever they are at."""
        processes = list((self._executor._processes or {}).values())
        self._executor.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()


class SplitPool:
    """As many pools of one process. What belongs to one part always goes to the same, which may remember."""

    lot = LOT
    lost = Pool.lost

    def __init__(self, jobs: int) -> None:
        self._pools = [Pool(1) for _ in range(jobs)]
        self._next = 0

    def window(self) -> int:
        """One lot at work and one waiting for each process."""
        return 2 * len(self._pools)

    def at(self, part: int) -> Pool:
        """Where this part is done."""
        return self._pools[part % len(self._pools)]

    def submit(
        self, do: Work[What, Thing, Told], order: What, things: tuple[Thing, ...]
    ) -> Future[list[Told]]:
        """Start a lot that belongs to no part; they take turns."""
        self._next += 1
        return self.at(self._next).submit(do, order, things)

    def close(self) -> None:
        """End the processes at once, whatever they are at."""
        for pool in self._pools:
            pool.close()


class Cluster:
    """The workers of a dask scheduler. They need skidproof of this version and the controller under test.

    A lot whose worker dies is given to another by the scheduler itself, several times, before it is lost.
    InputError when dask is not installed, HandsLostError when nobody answers.
    """

    lot = LOT

    def __init__(self, address: str, timeout_s: float = 10.0) -> None:
        try:
            import distributed
        except ImportError as error:
            raise InputError(
                '--cluster needs dask: install the extra "cluster" (pip install "skidproof[cluster]")'
            ) from error
        self.lost: tuple[type[BaseException], ...] = (distributed.KilledWorker, CancelledError)
        try:
            self._client: Any = distributed.Client(address, timeout=timeout_s)
        except (OSError, TimeoutError, ValueError) as error:
            raise HandsLostError(f"--cluster {address}: no scheduler answers there") from error
        self._address = address
        self._executor = self._client.get_executor(pure=False)  # a lot that was lost must be done again
        try:
            self._check_workers()
        except BaseException:
            self.close()
            raise

    def _check_workers(self) -> None:
        """Every worker there is must have this version, before thousands of cells find out."""
        if not self._client.nthreads():
            raise HandsLostError(f"--cluster {self._address}: the scheduler has no workers")
        ours = here_version()
        answers = self._client.run(here_version, on_error="return")
        for worker, version in answers.items():
            if version != ours:
                raise HandsLostError(
                    f"--cluster {self._address}: worker {worker} must have skidproof {ours}, not {version}"
                )

    def window(self) -> int:
        """One lot at work and one waiting for each worker."""
        return max(2, 2 * len(self._client.nthreads()))

    def submit(
        self, do: Work[What, Thing, Told], order: What, things: tuple[Thing, ...]
    ) -> Future[list[Told]]:
        """Start a lot; HandsLostError when the scheduler is gone."""
        if self._client.status != "running":
            raise HandsLostError(f"--cluster {self._address}: the scheduler is gone")
        future: Future[list[Told]] = self._executor.submit(do, order, things)
        return future

    def close(self) -> None:
        """Take back what is still out."""
        # a client that is closed while it looks for a lost scheduler would log that as an error of its own
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        self._executor.shutdown(wait=False)
        self._client.close()


def in_order(
    started: Iterable[tuple[Lot, Future[list[Told]]]], at_once: int
) -> Iterator[tuple[Lot, list[Told]]]:
    """Lots with their answers in the order in which they are started; so many are out at once.

    ``started`` starts a lot when it is asked for the next.
    """
    out: deque[tuple[Lot, Future[list[Told]]]] = deque()
    for one in started:
        out.append(one)
        if len(out) >= at_once:
            lot, future = out.popleft()
            yield lot, future.result()
    for lot, future in out:
        yield lot, future.result()


def hands_for(jobs: int, cluster: str | None) -> Here | Pool | Cluster:
    """The workers of a scheduler when one is named, else this process or a pool."""
    if cluster is not None:
        return Cluster(cluster)
    return Here() if jobs == 1 else Pool(jobs)


def here_version() -> str:
    """The version of skidproof in this process."""
    from importlib.metadata import version

    return version("skidproof")
