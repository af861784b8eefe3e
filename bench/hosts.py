"""How takes in an hour, waiting and cost grow with workers: `python -m bench.hosts [FIGURES.json]`.

SIMULATED, for want of many hosts: each take asks the parts for the processor time that `python -m bench --part sizing`
measured on one machine (its --json file, else the figures below), and waits where others ask for the same. Left out:
the network between hosts, disks that are slower than their processor, and everything that breaks.
"""

import heapq
import json
import math
import random
import statistics
import sys
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from pathlib import Path

from rich.console import Console
from rich.table import Table

WORKERS = (1, 2, 4, 8, 12, 16)
PROCESSES_PER_HOST = 2
STORE_PROCESSORS = (2, 8)
LOAD, HEAVY_LOAD = 0.7, 0.9
"""Parts of the greatest rate at which takes come when waiting is looked at."""
TAKES = 6000
SPREAD = 0.2
"""Takes differ: standard deviation of the logarithm of what each asks for."""
SEED = 11


@dataclass(frozen=True)
class Demand:
    """Processor time that one take asks of each part, s; by default takes of 1 min, as measured."""

    api: float = 0.080
    redis: float = 0.0075
    postgres: float = 0.0175
    store: float = 0.238
    worker: float = 0.442


@dataclass(frozen=True)
class Hosts:
    """How many there are of each: API processes, processors of the stores, measuring processes."""

    api: int = 2
    redis: int = 1
    postgres: int = 2
    store: int = 2
    worker: int = 1


@dataclass(frozen=True)
class Outcome:
    """What came of a run: how long takes waited to be begun (s), how busy each part was (0 to 1)."""

    mean_wait_s: float
    wait_95_s: float
    busy: dict[str, float]


class Part:
    """So many servers with one queue."""

    def __init__(self, servers: int) -> None:
        self.servers, self.free, self.busy_s = servers, servers, 0.0
        self.queue: deque[tuple[float, Callable[[], None]]] = deque()


class Clock:
    """Events in order of time, and parts that are asked for time."""

    def __init__(self, hosts: Hosts) -> None:
        self.now = 0.0
        self.parts = {name: Part(getattr(hosts, name)) for name in ("api", "redis", "postgres", "store", "worker")}
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._number = 0

    def after(self, seconds: float, act: Callable[[], None]) -> None:
        """Do something so much later."""
        self._number += 1
        heapq.heappush(self._events, (self.now + seconds, self._number, act))

    def ask(self, name: str, seconds: float, then: Callable[[], None]) -> None:
        """Have one server of a part for so long, as soon as one is free."""
        part = self.parts[name]
        part.queue.append((seconds, then))
        self._serve(part)

    def run(self) -> None:
        """Until nothing is left to happen."""
        while self._events:
            self.now, _, act = heapq.heappop(self._events)
            act()

    def _serve(self, part: Part) -> None:
        while part.free and part.queue:
            seconds, then = part.queue.popleft()
            part.free -= 1
            part.busy_s += seconds

            def end(then: Callable[[], None] = then) -> None:
                part.free += 1
                then()
                self._serve(part)

            self.after(seconds, end)


Step = tuple[str, float]


def simulate(
    demand: Demand, hosts: Hosts, takes_per_s: float, *, spread: float | None = SPREAD, takes: int = TAKES
) -> Outcome:
    """Takes come at random at this rate; a measuring process holds one take from its claim to its end.

    Parameters
    ----------
    spread : None draws exponential times, for which there is a closed form to hold this against
    """
    chance, clock = random.Random(SEED), Clock(hosts)
    waiting: deque[float] = deque()
    idle, waits = [hosts.worker], list[float]()

    def drawn(seconds: float) -> float:
        return chance.expovariate(1 / seconds) if spread is None else seconds * chance.lognormvariate(0, spread)

    def through(steps: Generator[Step]) -> None:
        step = next(steps, None)
        if step is not None and step[1] > 0:
            clock.ask(step[0], drawn(step[1]), lambda: through(steps))
        elif step is not None:
            through(steps)

    def arriving() -> Generator[Step]:
        """Received and kept: half of the time of the stores goes there."""
        yield "api", demand.api
        yield "store", demand.store / 2
        yield "postgres", demand.postgres / 2
        yield "redis", demand.redis
        waiting.append(clock.now)
        begin()

    def measuring() -> Generator[Step]:
        yield "postgres", demand.postgres / 4
        yield "store", demand.store / 2
        yield "worker", demand.worker
        yield "postgres", demand.postgres / 4
        idle[0] += 1
        begin()

    def begin() -> None:
        if waiting and idle[0]:
            idle[0] -= 1
            waits.append(clock.now - waiting.popleft())
            through(measuring())

    def arrive(left: int) -> None:
        through(arriving())
        if left > 1:
            clock.after(chance.expovariate(takes_per_s), lambda: arrive(left - 1))

    arrive(takes)
    clock.run()
    settled = waits[takes // 10 :]
    return Outcome(
        mean_wait_s=statistics.fmean(settled),
        wait_95_s=statistics.quantiles(settled, n=20)[18],
        busy={name: part.busy_s / part.servers / clock.now for name, part in clock.parts.items()},
    )


def greatest_rate(demand: Demand, hosts: Hosts) -> float:
    """Takes in a second when the part that is shortest of time is always busy.

    A measuring process is held while it reads from the stores, too.
    """
    held = replace(demand, worker=demand.worker + (demand.store + demand.postgres) / 2)
    return min(getattr(hosts, name) / seconds for name, seconds in vars(held).items() if seconds)


def check() -> tuple[float, float]:
    """Mean waiting of one worker at load 0.7 with exponential times: simulated, and in closed form (M/M/1), s."""
    alone = Demand(0, 0, 0, 0, 1.0)
    return simulate(alone, Hosts(), LOAD, spread=None, takes=10 * TAKES).mean_wait_s, LOAD / (1 - LOAD)


def demand_from(path: Path) -> Demand:
    """The figures of a run of the bench, for takes of 1 min."""
    figures = {figure["name"]: figure["value"] for figure in json.loads(path.read_text("utf-8"))["figures"]}
    names = {"api": "api", "redis": "redis", "postgres": "postgres", "store": "S3", "worker": "worker"}
    return Demand(**{to: figures[f"1 min, processor time, {of}"] / 1000 for to, of in names.items()})


def main() -> None:
    """Print one line for each number of measuring processes."""
    demand = demand_from(Path(sys.argv[1])) if len(sys.argv) > 1 else Demand()
    console = Console(width=110)
    console.print(f"Takes of 1 min; {demand}")
    simulated, expected = check()
    console.print(f"Held against the closed form of one queue: waits {simulated:.2f} s, expected {expected:.2f} s")
    whole = sum(vars(demand).values())
    shares = ", ".join(f"{name} {seconds / whole:.0%}" for name, seconds in vars(demand).items())
    console.print(f"Processor time of a take: {whole:.2f} s, of which {shares}")
    for store in STORE_PROCESSORS:
        console.print(f"\nWith {store} processors for the store:")
        console.print(_table(demand, replace(Hosts(), store=store)))


def _table(demand: Demand, base: Hosts) -> Table:
    table = Table(box=None)
    for heading in ("measuring", "hosts", "takes/h at most", "70 %: waits", "19 of 20 within", "90 %: waits"):
        table.add_column(heading, justify="right")
    for name in ("api", "postgres", "store"):
        table.add_column(f"{name} busy", justify="right")
    for number in WORKERS:
        hosts = replace(base, worker=number)
        rate = greatest_rate(demand, hosts)
        usual, heavy = (simulate(demand, hosts, load * rate) for load in (LOAD, HEAVY_LOAD))
        row = [f"{number}", f"{math.ceil(number / PROCESSES_PER_HOST)}", f"{3600 * rate:,.0f}"]
        row += [f"{usual.mean_wait_s:.2f} s", f"{usual.wait_95_s:.2f} s", f"{heavy.mean_wait_s:.2f} s"]
        table.add_row(*row, *(f"{heavy.busy[name]:.0%}" for name in ("api", "postgres", "store")))
    return table


if __name__ == "__main__":
    main()
