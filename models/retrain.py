"""``python -m models.retrain``: everything that is learned, one after the other.

Each step is a command of its own, with a gate of its own; what a step measures depends on those
before it. Where a gate refuses, what ships stays and the run goes on. A step that fails otherwise
ends the run and says how to go on: what it drew and measured is kept.
"""

import argparse
import subprocess
import sys
import time

#: Modules of this package, in the order in which they depend on each other.
STEPS = (
    "everyday",
    "train_outline",
    "train_glance",
    "train_glow",
    "train_panel",
    "train_faint",
    "train_change",
    "train",
)

#: Exit status of a step whose gate kept what ships.
REFUSED = 1


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.retrain", description=__doc__)
    parser.add_argument(
        "--from", dest="first", choices=STEPS, default=STEPS[0], help="leave out those before"
    )
    parser.add_argument("--last", choices=STEPS, default=STEPS[-1], help="leave out those after")
    parser.add_argument(
        "--force", action="store_true", help="replace better ones that ship all the same"
    )
    args = parser.parse_args(argv)
    first, last = STEPS.index(args.first), STEPS.index(args.last)
    if last < first:
        parser.error(f"--last {args.last}: stands before {args.first}")
    refused = []
    for step in STEPS[first : last + 1]:
        print(f"== models.{step}", flush=True)
        start = time.perf_counter()
        # "everyday" teaches nothing: there is nothing to be better or worse.
        force = ["--force"] if args.force and step != STEPS[0] else []
        done = subprocess.run([sys.executable, "-m", f"models.{step}", *force], check=False)
        print(f"== models.{step}: {(time.perf_counter() - start) / 60:.1f} minutes", flush=True)
        if done.returncode == REFUSED:
            refused.append(step)
        elif done.returncode:
            print(
                f"models.retrain: models.{step} ended with status {done.returncode}; "
                f"go on with: python -m models.retrain --from {step}",
                file=sys.stderr,
            )
            return done.returncode
    if refused:
        kept = "; python -m models.train --keep calibrates the classifier that ships anew"
        print(
            f"models.retrain: better ones ship already, which stay: {', '.join(refused)}"
            + kept * (STEPS[-1] in refused),
            file=sys.stderr,
        )
    return REFUSED if refused else 0


if __name__ == "__main__":
    sys.exit(main())
