"""How long the port model takes: set-up, every fingering, growth with holes and with the mesh; memory.

Run: python benchmarks/ports.py. Times are of the processor, of this run, on this machine; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from time import process_time

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import eigsh
from vessels import egg

from simkit.body import body_of
from simkit.body.chambers import WINDOW
from simkit.body.kernel import session
from simkit.body.meshes.all_air import whole_mesh
from simkit.field import air_of, port_solution
from simkit.field.full.resonance import WholeAir
from simkit.machine import most_memory
from simkit.sound import models
from simkit.sound.answers.chart import combinations
from simkit.sound.models import port_solutions


def seconds(job: Callable[[], object], times: int = 3) -> float:
    """The least processor time of a few runs."""
    taken = []
    for _ in range(times):
        start = process_time()
        job()
        taken.append(process_time() - start)
    return min(taken)


def set_up(vessel):
    """From a read design to a resonator that answers, nothing kept from before."""
    port_solutions._KEPT.clear()
    port_solutions._SOLVED.clear()
    return models.resonator("ports", models.cases(vessel)[0])


def peak() -> float:
    """Most memory that this process has held, MB."""
    return most_memory() / 2**20


def naive(ports_seconds: float) -> None:
    """The plain way for comparison: one mesh of all the air with its holes and one eigsh for every fingering."""
    chamber = body_of(egg(3)).chambers[0]
    start = process_time()
    air = WholeAir.of(whole_mesh(chamber, 1.25))
    meshed = process_time() - start
    number = air.joined((WINDOW, "1", "2", "3"))
    join = csr_matrix((np.ones(len(number)), (np.arange(len(number)), number)))
    K, M = (join.T @ A @ join for A in (air.K + air.far[0] / air.whole.radius, air.M))
    start = process_time()
    k2 = eigsh(K.tocsc(), k=1, M=M.tocsc(), sigma=0.0, v0=np.ones(K.shape[0]), return_eigenvectors=False)
    solved = process_time() - start
    print(f"the plain way, one fingering            {meshed + solved:8.1f} s  (mesh {meshed:.1f}, eigsh {solved:.1f}, "
          f"{K.shape[0]} unknowns, k = {np.sqrt(k2[0]):.3f} 1/m)")  # fmt: skip
    print(f"ports, set-up apart, is quicker by      {(meshed + solved) / ports_seconds:8,.0f} times a fingering")


def exponent(x: list[float], y: list[float]) -> float:
    """Slope of log y over log x: how cost grows."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def main() -> None:
    """Print the table."""
    with session():  # gmsh loaded, as the figure says
        pass
    twelve = egg(12)
    resonator = set_up(twelve)
    every = combinations(12)
    single = every[:1]
    print(f"set-up, 12 holes, gmsh loaded           {seconds(lambda: set_up(twelve)):8.3f} s")
    print(f"all 4,096 fingerings of 12 holes        {seconds(lambda: resonator.lowest(every)):8.3f} s")
    print(f"one fingering alone                     {1e3 * seconds(lambda: resonator.lowest(single)):8.3f} ms")
    print(f"unknowns inside and outside             {resonator.field.evidence.unknowns_inside}, "
          f"{resonator.field.evidence.unknowns_outside}")  # fmt: skip
    print(f"peak memory so far                      {peak():8.0f} MB")
    naive(seconds(lambda: resonator.lowest(every)) / len(every))
    counts = [2, 4, 8, 12, 16]
    setups = [seconds(lambda n=n: set_up(egg(n)), 2) for n in counts]
    charts = []
    for n in counts:
        one = set_up(egg(n))
        batch = np.tile(combinations(min(n, 10))[:1000], (1, 1))
        batch = np.concatenate([batch, np.zeros((len(batch), n - batch.shape[1]))], axis=1)
        batch = np.tile(batch, (1 + 1000 // len(batch), 1))[:1000]
        charts.append(seconds(lambda one=one, batch=batch: one.lowest(batch), 2))
    for n, a, b in zip(counts, setups, charts, strict=True):
        print(f"{n:4d} holes: set-up {a:7.3f} s, 1,000 fingerings {b:7.3f} s")
    print(f"set-up grows as holes^{exponent(counts, setups):.2f}, fingerings as holes^{exponent(counts, charts):.2f}")
    body = body_of(twelve)
    base = port_solutions.body_air(body)
    shares, unknowns, times = (1.0, 0.8, 0.65, 0.5), [], []
    for share in shares:
        start = process_time()
        air = air_of(body, share * base.chambers[0].mesh.size, share * base.outside.mesh.size)
        port_solution(air)
        times.append(process_time() - start)
        unknowns.append(float(len(air.chambers[0].mesh.points) + len(air.outside.mesh.points)))
        print(f"{unknowns[-1]:9.0f} unknowns: set-up {times[-1]:7.3f} s")
    print(f"set-up grows as unknowns^{exponent(unknowns, times):.2f}")
    print(f"peak memory with the finest mesh {peak():.0f} MB")


if __name__ == "__main__":
    main()
