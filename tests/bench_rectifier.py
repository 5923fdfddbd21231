"""What the rectifier solver costs: a case, a sweep of loads, the way back, against plain time-stepping in one run.

Run with `python -m tests.bench_rectifier`. Absolute figures drift with the machine; the ratios drift less.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable

from analysis.rectifier import solve, sweep
from analysis.rectifier_circuit import Circuit, ExponentialDiode, PiecewiseDiode, Topology, constant_current
from analysis.rectifier_inverse import Ammeter, Response, load_from_reading
from tests.rectifier_cases import circuit, rows, stepped

#: Asked of the solver: median of a case, and a sweep of 1,000 loads. [s]
CASE_LIMIT, SWEEP_LIMIT = 0.010, 0.5


def _seconds(work: Callable[[], object], rounds: int) -> float:
    """Median of some runs, after one to warm up."""
    work()
    taken = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def case_medians(rounds: int = 5) -> dict[str, float]:
    """Median time of a reference case, for each diode. [s]"""
    return {
        name: statistics.median(
            _seconds(lambda wired=circuit(row): solve(wired), rounds)  # type: ignore[misc]
            for row in rows()
            if row["diode"] == name
        )
        for name in ("pwl", "exp")
    }


def sweep_times(loads: int = 1000, rounds: int = 3) -> dict[str, float]:
    """Time of one sweep of loads, for each topology and diode. [s]"""
    drawn = [constant_current(0.3 * (k + 1) / loads) for k in range(loads)]
    found = {}
    for topology in Topology:
        for diode in (PiecewiseDiode(), ExponentialDiode()):
            wired = Circuit(
                topology=topology, emf=10.8, winding_resistance=4.0, reservoir=1e-3, frequency=60.0, load=drawn[0],
                diode=diode,
            )  # fmt: skip
            found[f"{topology}, {type(diode).__name__}"] = _seconds(lambda w=wired: sweep(w, drawn), rounds)  # type: ignore[misc]
    return found


def stepping_median() -> float:
    """Plain time-stepping of the piecewise reference cases with one rail: 40 cycles of 2,000 steps. [s]"""
    one_rail = [circuit(r) for r in rows() if r["diode"] == "pwl" and r["topology"] != "T4"]
    return statistics.median(_seconds(lambda w=wired: stepped(w, 40, 2000), 1) for wired in one_rail)  # type: ignore[misc]


def inverse_median(rounds: int = 3) -> float:
    """From an ac-coupled average-responding reading back to the load, median of the reference cases. [s]"""
    ammeter = Ammeter(Response.AVERAGE, ac_coupled=True)
    return statistics.median(
        _seconds(lambda c=circuit(r), i=float(r["isec_avg_meter_ac_A"]): load_from_reading(c, i, ammeter), rounds)  # type: ignore[misc]
        for r in rows()
    )


def lines() -> Iterable[str]:
    """The figures as text."""
    medians, plain = case_medians(), stepping_median()
    for name, median in medians.items():
        yield (
            f"rectifier, one case, {name}: median {1e3 * median:.2f} ms (limit {1e3 * CASE_LIMIT:.0f} ms), "
            f"{plain / median:.0f} times as fast as 80,000 plain steps ({1e3 * plain:.0f} ms)"
        )
    yield f"rectifier, from a reading back to the load: median {1e3 * inverse_median():.1f} ms"
    for name, taken in sweep_times().items():
        yield f"rectifier, 1,000 loads, {name}: {taken:.2f} s (limit {SWEEP_LIMIT} s)"


def main() -> None:
    """Print the figures."""
    for line in lines():
        print(line)


if __name__ == "__main__":
    main()
