"""``python -m farmwatch.simulate FOLDER`` writes the sample farm anew."""

from __future__ import annotations

import sys

from farmwatch.simulate.sample import write_sample

if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m farmwatch.simulate FOLDER")
    for path in write_sample(sys.argv[1]):
        print(path)
