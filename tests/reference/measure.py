"""Measure the program on both test beds and print the tables behind docs/accuracy.md (a few minutes).

PYTHONPATH=tests python -m reference.measure
"""

from engine import measure as engine_measure
from published_cars import measure as published_measure

if __name__ == "__main__":
    published_measure.main()
    print()
    engine_measure.main()
