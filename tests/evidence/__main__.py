"""`python -m tests.evidence` lists the long studies with their state; with names it runs them (`all`: every one)."""

import argparse
import sys

from avoidkit.studies.run import Interrupted, StudyError
from tests.evidence import headlines, runner


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.evidence", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="studies to run; none: list them; all: every one")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--limit", type=int, help="only the first so many tasks (marked as not whole)")
    parser.add_argument(
        "--again", action="store_true", help="a twentieth of the rows of a whole table once more: are they equal?"
    )
    parser.add_argument("--headlines", action="store_true", help="README's table of what was found")
    arguments = parser.parse_args()
    if arguments.headlines:
        print("\n".join(headlines.lines()))
        return 0
    if not arguments.names:
        print("\n".join(runner.overview()))
        return 0
    wanted = runner.names() if arguments.names == ["all"] else arguments.names
    unknown = [name for name in wanted if name not in runner.names()]
    if unknown:
        print(f"no study {', '.join(unknown)}; there are: {', '.join(runner.names())}", file=sys.stderr)
        return 2
    failed = 0
    for name in wanted:
        try:
            if arguments.again:
                failed += runner.run_again(name, workers=arguments.workers)
                continue
            failed += runner.run(name, workers=arguments.workers, limit=arguments.limit)
        except (runner.Unavailable, StudyError) as why:
            print(f"{name}: {why}", file=sys.stderr)
            failed += 1
            continue
        except Interrupted as why:
            print(why, file=sys.stderr)
            return 130
        if not failed:
            print("\n".join(runner.conclusion_lines(name)))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
