"""How many clients each design needs for the same question, in closed form, side by side.

    python analysis/11_sizes_of_designs.py

No protocol and no data: the spreads are the typical ones of the ready protocols, on the logarithm of a
10-repetition load. Every number is for clients tested to the end.

Output: a table on the screen.
"""

from __future__ import annotations

import math

from studykit.planning.clusters import fewest_trainers, trainers_for_difference
from studykit.planning.margins import clients_for_alike, clients_for_not_worse
from studykit.planning.means import clients_for_difference, composite_variance, summary_variance
from studykit.planning.power import fewest_clients
from studykit.planning.precision import clients_for_assured_half_width
from studykit.planning.within import clients_for_crossover, limbs_error

SPREAD, TESTS_ALIKE, MACHINES_ALIKE, SIDES_ALIKE, MACHINES = 0.25, 0.88, 0.4, 0.7, 4
ICC, CLIENTS_OF_A_TRAINER = 0.02, 8
PER_CENT = (2.0, 5.0, 8.0)


def sizes(difference: float) -> dict[str, str]:
    """Clients in all, tested to the end, for 80 per cent power; two-sided 5 per cent."""
    one = SPREAD * math.sqrt(summary_variance("baseline-adjusted", TESTS_ALIKE))
    composite = one * math.sqrt(composite_variance(MACHINES, MACHINES_ALIKE))
    moving = SPREAD * math.sqrt((1.0 - TESTS_ALIKE) * composite_variance(MACHINES, MACHINES_ALIKE))
    alone = clients_for_difference(difference, composite)
    limbs = fewest_clients(
        lambda clients: limbs_error(clients, composite, correlation_limbs=SIDES_ALIKE).power(difference),
        0.8,
        least=4,
    )
    trainers = trainers_for_difference(
        difference, composite, clients_per_trainer=CLIENTS_OF_A_TRAINER, icc=ICC
    )
    return {
        "one arm each, one machine, last test only": str(
            2 * clients_for_difference(difference, SPREAD).whole
        ),
        "the same, adjusted for the test before": str(2 * clients_for_difference(difference, one).whole),
        f"the same, {MACHINES} machines": str(2 * alone.whole),
        "the same, twice as many in one arm": str(
            3 * clients_for_difference(difference, composite, ratio=2.0).whole
        ),
        f"whole trainers of {CLIENTS_OF_A_TRAINER} clients": f"{2 * trainers * CLIENTS_OF_A_TRAINER} "
        f"({2 * trainers} trainers; below {2 * fewest_trainers(alone.whole, ICC)} no number is enough)",
        "both arms one after the other (biased by what lasts)": str(
            clients_for_crossover(difference, moving)
        ),
        "one side of the body each (another question)": str(limbs),
        "to show: not worse by more than this": str(2 * clients_for_not_worse(difference, composite).whole),
        "to show: alike within this": str(2 * clients_for_alike(difference, composite).whole),
        "interval no wider than this to either side, 80 times in 100": str(
            2 * clients_for_assured_half_width(composite, difference).whole
        ),
    }


def main() -> None:
    """Print the sizes."""
    columns = {per_cent: sizes(math.log1p(per_cent / 100.0)) for per_cent in PER_CENT}
    print("Clients in all arms, tested to the end, for a difference of " + ", ".join(
        f"{per_cent:g} %" for per_cent in PER_CENT
    ))  # fmt: skip
    for name in columns[PER_CENT[0]]:
        print(f"  {name}: " + " | ".join(column[name] for column in columns.values()))
    print("Divide by the share who are tested: with 15 of 100 lost, 1 / 0.85 = 1.18 times as many.")


if __name__ == "__main__":
    main()
