"""python -m worker: the command line."""

from worker.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
