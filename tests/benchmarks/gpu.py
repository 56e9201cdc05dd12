"""Impacts on a graphics card: differences from the CPU, throughput of variants, host time.

Arguments: stages, of check variants layers host throws screen pieces race profile (the first four).
What it prints is written to the folder OUT, if that is set.
"""

import cProfile
import csv
import io
import math
import multiprocessing
import os
import pstats
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.conditions import Conditions
from layers.gpu.batch import Throws
from layers.gpu.card import Card, Marching, find_card, kernel_of, march_on
from layers.gpu.packing import Packed, grouped, pack, pack_models
from layers.gpu.source import Choices, strike_program
from layers.gpu.strikes import STEPS, launch_of, parameters_of, slowness
from layers.gpu.throws import pack_throws
from layers.impact.barrier import DEFAULT as BARRIER
from layers.impact.barrier import BarrierImpact, barrier_impact
from layers.strike.launch import Launch, Strike
from layers.strike.model import build_model
from layers.strike.settings import LEVELS
from layers.strike.strike import club_impact
from layers.strike.swings import find_swing
from optimize.compute.card import OnCard
from optimize.compute.pool import mapping
from optimize.ledger.ledger import Ledger
from optimize.screening.screen import Question, screen_builds
from optimize.screening.spool import Spool
from optimize.tolerance.direct import computed
from optimize.tolerance.pass_rates import tolerance
from optimize.tolerance.study import study
from tests.helpers.builds import random_balls, random_bodies

SETTINGS = replace(LEVELS["default"], precision="double")
SWINGS = ("driver fast", "mid iron fast", "wedge full fast", "wedge half moderate")
STRIKES = [find_swing(name).strike() for name in SWINGS]
RPM = 30.0 / math.pi
SINGLE = Choices(threads=512, fixed=True, prefetch=True)
DOUBLE = Choices(threads=256, contact_slow=True, impulse_slow=True)

_LOG = []


def say(*words: object) -> None:
    text = " ".join(map(str, words))
    print(text, flush=True)
    _LOG.append(text)
    if "OUT" in os.environ:
        Path(os.environ["OUT"], "gpu.txt").write_text("\n".join(_LOG) + "\n", "utf-8")


def march(packed: Packed, which: list[int], parameters: FloatArray, choices: Choices) -> Marching:
    program = strike_program(packed, choices)
    return march_on(find_card(), program, packed.builds, which, parameters)


def figures(launch: Launch) -> FloatArray:
    """m/s, deg, rpm, us, mm, m/s."""
    return np.array(
        [
            launch.ball_speed,
            math.degrees(launch.launch_angle),
            launch.spin * RPM,
            1e6 * launch.contact_time,
            1e3 * launch.peak_deformation,
            launch.club_speed_after,
        ]
    )


def _on_cpu(job: tuple[Body, Strike]) -> tuple[FloatArray, str]:
    launch = club_impact(*job, precision="double")
    return figures(launch), launch.flag


def batches(
    bodies: list[Body], dtype: type, choices: Choices, *, graded: bool = False
) -> Iterator[tuple[list[int], list[Body], Packed]]:
    for members in grouped(bodies).values():
        own = [bodies[i] for i in members]
        if graded:
            models = [build_model(body, SETTINGS) for body in own]
            yield members, own, pack_models(models, own, SETTINGS, choices.threads, dtype)
        else:
            yield members, own, pack(own, SETTINGS, dtype)


def ordered(own: list[Body]) -> tuple[list[int], list[Strike]]:
    """Every build by every strike, the longest first."""
    slow = [slowness(body, SETTINGS) for body in own]
    jobs = [(i, strike) for i in range(len(own)) for strike in STRIKES]
    jobs.sort(key=lambda job: -slow[job[0]] * job[1].club_speed ** -0.2)
    return [i for i, _ in jobs], [strike for _, strike in jobs]


def check() -> None:
    """400 impacts, 2 to 5 layers, against the CPU."""
    bodies = random_bodies(100, 7)
    jobs = [(body, strike) for body in bodies for strike in STRIKES]
    _on_cpu(jobs[0])
    start = time.perf_counter()
    with multiprocessing.Pool() as pool:
        found = pool.map(_on_cpu, jobs, chunksize=1)
    spent = time.perf_counter() - start
    say(f"CPU: {len(jobs) / spent:.1f} impacts/s with {os.cpu_count()} processes")
    reference = np.array([f for f, _ in found])
    flags = [flag for _, flag in found]
    for name, dtype, choices, graded in (
        ("double", np.float64, DOUBLE, False),
        ("double graded", np.float64, DOUBLE, True),
        ("single fixed", np.float32, SINGLE, False),
        ("single fixed graded", np.float32, SINGLE, True),
        ("single colours", np.float32, replace(SINGLE, fixed=False), False),
    ):
        try:
            got = np.empty_like(reference)
            same, alike = True, 0
            for members, own, packed in batches(bodies, dtype, choices, graded=graded):
                which, strikes = ordered(own)
                parameters = parameters_of(packed, own, which, strikes, SETTINGS)
                first = march(packed, which, parameters, choices).results()
                again = march(packed, which, parameters, choices).results()
                same = same and np.array_equal(first, again, equal_nan=True)
                for row, i, strike in zip(first, which, strikes, strict=True):
                    launch = launch_of(own[i], strike, row)
                    at = 4 * members[i] + STRIKES.index(strike)
                    got[at] = figures(launch)
                    alike += launch.flag == flags[at]
            off = np.abs(got / reference - 1.0)
            say(
                f"{name}: largest relative difference of speed, angle, spin, contact time, "
                f"deformation, club speed {off.max(0)} rms {np.sqrt((off**2).mean(0))} largest in "
                f"spin {np.abs(got - reference)[:, 2].max():.3g} rpm, angle "
                f"{np.abs(got - reference)[:, 1].max():.3g} deg; two runs equal to the bit: "
                f"{same}; flags alike {alike} of {len(flags)}"
            )
        except Exception:
            say(name, "FAILED", traceback.format_exc()[-600:])


class Load:
    """Builds of one count of layers, packed, with four strikes each."""

    def __init__(self, layers: int, builds: int, dtype: type) -> None:
        bodies = [ball.body() for ball in random_balls(4 * builds, 3) if len(ball.layer) == layers]
        self.own = bodies[:builds]
        self.packed = pack(self.own, SETTINGS, dtype)
        self.which, strikes = ordered(self.own)
        self.parameters = parameters_of(self.packed, self.own, self.which, strikes, SETTINGS)

    def rate(self, choices: Choices, repeat: int = 3) -> str:
        import cupy as cp

        start = time.perf_counter()
        march(self.packed, self.which[:132], self.parameters[:132], choices).results()
        compiled = time.perf_counter() - start
        spent = []
        for _ in range(repeat):
            start = time.perf_counter()
            out = march(self.packed, self.which, self.parameters, choices).results()
            spent.append(time.perf_counter() - start)
        kernel = kernel_of(strike_program(self.packed, choices), find_card())
        steps, best = out[:, STEPS].sum(), float(np.median(spent))
        free = cp.cuda.Device().mem_info[0] / 2**30
        return (
            f"n {len(self.which)}: {len(self.which) / best:8.1f} impacts/s "
            f"({min(spent) * 1e3:.1f}..{max(spent) * 1e3:.1f} ms with upload), "
            f"{steps * len(self.packed.plan.element) / best:.3e} element steps/s, "
            f"{steps / len(out):.0f} steps; registers {kernel.function.num_regs}, spilled "
            f"{kernel.function.local_size_bytes} B, shared {kernel.fast} B, first call "
            f"{compiled:.1f} s, {free:.0f} GiB free"
        )


def attempt(name: str, load: Load, choices: Choices) -> None:
    try:
        say(f"{name:40s}", load.rate(choices))
    except Exception as error:
        say(name, "FAILED", repr(error)[:300])


def variants() -> None:
    load = Load(3, 264, np.float32)
    for threads in (352, 384, 448, 512, 544, 576, 672):
        for prefetch in (True, False):
            choices = Choices(threads=threads, fixed=True, prefetch=prefetch)
            attempt(f"single fixed T {threads} prefetch {prefetch}", load, choices)
    for threads in (384, 448, 512):
        choices = Choices(threads=threads, prefetch=True)
        attempt(f"single colours T {threads} prefetch", load, choices)
    for threads in (224, 256):
        for fixed in (True, False):
            choices = Choices(threads, 2, fixed, True, contact_slow=True, impulse_slow=True)
            attempt(f"single two blocks T {threads} fixed {fixed}", load, choices)
    for slow in ((True, False), (False, True)):
        choices = Choices(448, 1, True, True, *slow)
        attempt(f"single fixed T 448 contact, impulse slow {slow}", load, choices)
    load = Load(3, 264, np.float64)
    for threads in (256, 288, 320, 384, 448, 512):
        for prefetch in (True, False):
            choices = Choices(threads, 1, False, prefetch, contact_slow=True, impulse_slow=True)
            attempt(f"double T {threads} prefetch {prefetch}", load, choices)


def layers() -> None:
    for count in (2, 4, 5):
        load = Load(count, 264, np.float32)
        for threads in (448, 512, 544):
            attempt(f"{count} layers single T {threads}", load, replace(SINGLE, threads=threads))
        load = Load(count, 264, np.float64)
        attempt(f"{count} layers double", load, DOUBLE)
    load = Load(3, 2500, np.float32)
    attempt("3 layers single", load, SINGLE)
    attempt("3 layers double", Load(3, 2500, np.float64), DOUBLE)
    for n in (132, 1):
        load.which, load.parameters = load.which[:n], load.parameters[:n]
        attempt(f"3 layers single, {n}", load, SINGLE)


def _thrown(job: tuple[Body, float]) -> FloatArray:
    return _of_throw(barrier_impact(*job, precision="double"))


def _of_throw(impact: BarrierImpact) -> FloatArray:
    return np.array([impact.cor, impact.contact_time, impact.peak_force, impact.peak_deformation])


def throws() -> None:
    """Impacts on the barrier: 100 builds of 2 to 5 layers at two speeds, then throughput."""
    bodies, speeds = random_bodies(100, 7), (20.0, 43.83)
    jobs = [(body, speed) for body in bodies for speed in speeds]
    _thrown(jobs[0])
    start = time.perf_counter()
    with multiprocessing.Pool() as pool:
        reference = np.array(pool.map(_thrown, jobs, chunksize=1))
    say(
        f"CPU: {len(jobs) / (time.perf_counter() - start):.0f} throws/s, {os.cpu_count()} processes"
    )
    wanted = [(body, speeds) for body in bodies]
    for throwing in ((256, 2), (192, 2), (128, 2), (320, 1), (512, 1)):
        card = Throwing(find_card(), throwing)
        try:
            rows = [Throws(card, wanted, "default").outcomes() for _ in range(2)]
            first, again = ([one for found in row for one in found] for row in rows)
            got = np.array([_of_throw(one) for one in first])
            off = np.abs(got / reference - 1.0).max(axis=0)
            same = np.array_equal(got, [_of_throw(one) for one in again])
            rates = []
            for count in (3, 5):
                balls = [b.body() for b in random_balls(4224, 3) if len(b.layer) == count]
                many = [(body, (43.83,)) for body in balls]
                start = time.perf_counter()
                Throws(card, many, "default").outcomes()
                rates.append(f"{count} layers {len(many) / (time.perf_counter() - start):.0f}/s")
            start = time.perf_counter()
            pack_throws(balls, BARRIER)
            packing = 1e3 * (time.perf_counter() - start) / len(balls)
            say(
                f"throws T {throwing}: largest relative difference of COR, contact time, force, "
                f"deformation {off}, two runs equal to the bit {same}; 1,056 throws, all within: "
                f"{', '.join(rates)}; packing {packing:.3f} ms a build"
            )
        except Exception:
            say("throws", throwing, "FAILED", traceback.format_exc()[-500:])


class Throwing:
    """A card with another choice of threads and blocks."""

    def __init__(self, card: Card, throwing: tuple[int, int]) -> None:
        self.throwing, self.march = throwing, card.march


def host() -> None:
    for count in (3, 5):
        bodies = [b.body() for b in random_balls(1600, 5) if len(b.layer) == count]
        for dtype in (np.float32, np.float64):
            pack(bodies[:4], SETTINGS, dtype)
            start = time.perf_counter()
            packed = pack(bodies, SETTINGS, dtype)
            spent = 1e3 * (time.perf_counter() - start) / len(bodies)
            start = time.perf_counter()
            which, strikes = ordered(bodies)
            sorting = 1e3 * (time.perf_counter() - start) / len(bodies)
            start = time.perf_counter()
            parameters_of(packed, bodies, which, strikes, SETTINGS)
            setting = 1e3 * (time.perf_counter() - start) / len(bodies)
            say(
                f"{count} layers {dtype.__name__}: packing {spent:.3f} ms a build, ordering four "
                f"strikes {sorting:.3f}, their parameters {setting:.3f}"
            )
    start = time.perf_counter()
    for body in bodies[:50]:
        build_model(body, SETTINGS)
    say(f"build_model {1e3 * (time.perf_counter() - start) / 50:.2f} ms a build")


HEADS = (
    "build",
    "core_material",
    "core_youngs_modulus_mpa",
    "core_density_g_cm3",
    "mantle_material",
    "mantle_thickness_mm",
    "cover_material",
    "cover_thickness_mm",
    "cover_youngs_modulus_mpa",
    "cover_outer_diameter_mm",
    "mass_g",
)


def table(path: Path, count: int) -> None:
    """Write builds of three layers, no two alike."""
    rng = np.random.default_rng(11)
    cards = ("core rubber, soft", "ionomer, firm", "urethane, soft")
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(HEADS)
        for i in range(count):
            core, mantle = rng.uniform(30.0, 90.0), rng.uniform(0.9, 1.8)
            cover, modulus = rng.uniform(0.7, 1.6), rng.uniform(40.0, 300.0)
            inner = (cards[0], f"{core:.6f}", "open", cards[1], f"{mantle:.6f}")
            rows.writerow(
                (f"B{i}", *inner, cards[2], f"{cover:.6f}", f"{modulus:.6f}", "42.7", "45.6")
            )


def _screened(folder: Path, count: int, conditions: Conditions) -> None:
    builds = folder / f"{count}.csv"
    table(builds, count)
    names = [
        f"{swing}.{what}"
        for swing in ("driver fast", "wedge half moderate")
        for what in ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")
    ]
    start, busy = time.perf_counter(), time.process_time()
    with Ledger(folder / f"{count}.{conditions.precision}.sqlite") as ledger, Spool() as spool:
        question = Question.of(names, conditions=conditions)
        computing = OnCard((find_card(),), os.cpu_count() or 1)
        found = screen_builds(builds, question, ledger, spool, computing)
    spent, busy = time.perf_counter() - start, time.process_time() - busy
    say(
        f"screen of {len(found):,} builds x 2 swings, {conditions.precision}, to a ledger: "
        f"{spent:.1f} s, {1e3 * busy / count:.3f} ms of processor a build; {found.computed:,} "
        f"computed, {found.incomplete} without all figures"
    )


def screen() -> None:
    """100,000 builds by driver and half wedge, from a table to a ledger."""
    with tempfile.TemporaryDirectory() as folder:
        _screened(Path(folder), 3_000, Conditions())
        _screened(Path(folder), 100_000, Conditions())
        _screened(Path(folder), 10_000, Conditions().in_double())
        profiler = cProfile.Profile()
        profiler.enable()
        _screened(Path(folder), 5_000, Conditions())
        profiler.disable()
        text = io.StringIO()
        pstats.Stats(profiler, stream=text).sort_stats("tottime").print_stats(25)
        say(text.getvalue())


def pieces() -> None:
    """Tolerance of one build: 10,000 pieces, all figures of six swings."""
    ball = random_balls(2, 7)[1]
    swings = (*SWINGS, "driver moderate", "wedge full moderate")
    whats = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "carry_m", "total_m", "apex_m")
    whats = (*whats, "descent_angle_deg", "smash_factor", "landing_spin_rpm", "flight_time_s")
    names = [f"{swing}.{what}" for swing in swings for what in whats]
    for conditions in (Conditions(), Conditions().in_double()):
        start = time.perf_counter()
        with mapping(os.cpu_count() or 1, conditions) as mapper:
            found = study(ball, names, mapper=mapper)
        fitted = time.perf_counter() - start
        with OnCard((find_card(),), os.cpu_count() or 1).computing(conditions) as compute:
            direct = computed(found, 10_000, 0, compute)
        drawn = tolerance(direct, [], 10_000, 0)
        spent = time.perf_counter() - start
        spin = next(one for one in drawn.spread if one.name == "driver fast.spin_rpm")
        say(
            f"tolerance, 10,000 pieces, {len(names)} figures of {len(swings)} swings, "
            f"{conditions.precision}: {spent:.1f} s, of it the surrogate's fit {fitted:.1f} s; "
            f"driver spin {spin.mean:.1f} +- {spin.deviation:.2f} rpm, surrogate off by "
            f"{spin.check_error:.3f} rpm rms (by 20 pieces {found.check_error[spin.name]:.3f})"
        )


def few() -> None:
    """A few impacts of a few steps, for the tools that watch a kernel."""
    which, strikes = [0, 0, 1, 1], [*STRIKES[1:3]] * 2
    for dtype, choices in ((np.float32, SINGLE), (np.float64, DOUBLE)):
        bodies = random_bodies(6, 7)[1::4]
        packed = pack(bodies, SETTINGS, dtype)
        parameters = parameters_of(packed, bodies, which, strikes, SETTINGS)
        parameters[:, 25] = 40e-6
        march(packed, which, parameters, choices).results()


def one() -> None:
    """One launch of each precision, for the profiler."""
    for dtype, choices in ((np.float32, SINGLE), (np.float64, DOUBLE)):
        load = Load(3, 66, dtype)
        march(load.packed, load.which, load.parameters, choices).results()


def watched(*command: str) -> None:
    try:
        ran = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
        say("$", *command, "\n", ran.stdout[-16000:], ran.stderr[-1500:])
    except (OSError, subprocess.TimeoutExpired) as error:
        say("$", *command, "FAILED", repr(error)[:200])


def race() -> None:
    for tool in ("racecheck", "memcheck"):
        watched("compute-sanitizer", "--tool", tool, sys.executable, "-m", __spec__.name, "few")


def profile() -> None:
    sections = [
        word
        for name in ("SpeedOfLight", "MemoryWorkloadAnalysis", "SchedulerStats", "WarpStateStats")
        for word in ("--section", name)
    ]
    command = [sys.executable, "-m", __spec__.name, "one"]
    watched("ncu", "--clock-control", "none", "-k", "march", *sections, *command)


if __name__ == "__main__":
    say(find_card(), time.strftime("%H:%M:%S"))
    for stage in sys.argv[1:] or ("check", "variants", "layers", "host"):
        start = time.perf_counter()
        globals()[stage]()
        say(f"[{stage} {time.perf_counter() - start:.0f} s]")
