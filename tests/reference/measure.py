"""Measure the program on both test beds and print the tables of docs/accuracy.md (a quarter of an hour).

PYTHONPATH=tests python -m reference.measure
"""

from engine import measure as engine_measure, other_cars
from published_cars import measure as published_measure

if __name__ == "__main__":
    published_measure.main()
    print()
    engine_measure.main()
    print()
    other_cars.main()
