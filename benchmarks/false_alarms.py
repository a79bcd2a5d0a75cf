"""More than twenty hours of healthy traffic, at 80 % bus load: how many alarms?

    python -m benchmarks.false_alarms [--hours 2] [--machines 12] [--seed 0] [--random-priorities] [--nothing]

Each machine has its own clock drifts (up to 100 ppm), priority queuing, event-driven and on-change streams, bursts,
and a stream whose period follows the engine's speed. Nothing may be reported: no dropout, no late stream, no silence.
"""

import argparse
import sys
import time

from busdoc.health.presence.watch import HealthWatch
from tests.truth.alarms import alarms
from tests.truth.by_chance.random_traffic import healthy_recording


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=2.0, help="of each machine")
    parser.add_argument("--machines", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0, help="of the first machine")
    parser.add_argument("--load", type=float, default=0.8)
    parser.add_argument("--random-priorities", action="store_true", help="fast streams may have low priorities")
    parser.add_argument("--nothing", action="store_true", help="analyse without the machine map")
    arguments = parser.parse_args()
    n_alarms, n_frames, began_s = 0, 0, time.perf_counter()
    for seed in range(arguments.seed, arguments.seed + arguments.machines):
        recording, streams = healthy_recording(
            seed, length_s=3600.0 * arguments.hours, load=arguments.load, by_rate=not arguments.random_priorities
        )
        specs = [controller.spec for controller in recording.world.machine.controllers.values()]
        watch = HealthWatch([] if arguments.nothing else specs, complete=not arguments.nothing)
        for block in recording.blocks(streams):
            watch.feed(block)
            n_frames += len(block)
        found = alarms(watch.close())
        n_alarms += len(found)
        print(f"machine {seed}: {len(streams)} streams, {len(found)} alarms", *found[:5], sep="\n  ", flush=True)
    hours = arguments.hours * arguments.machines
    took_s = time.perf_counter() - began_s
    print(f"{n_alarms} alarms in {hours:g} h of traffic, {n_frames / 1e6:.1f} million frames, {took_s:.0f} s")
    return 1 if n_alarms else 0


if __name__ == "__main__":
    sys.exit(main())
