"""The part of the planning page about drawing clients: how even the arms will be, what can be guessed."""

from __future__ import annotations

from studykit.planning.plan import Plan
from studykit.report.document import Section, paragraphs, tables
from studykit.report.numbers import Scale
from studykit.report.reading import spaced
from studykit.report.tables import Quantity, Table, cells, column, words_column

_CLIENTS = Scale("clients", 1)
_SHARE = Scale("%", 0, 100.0)


def drawing_section(plan: Plan) -> Section:
    """Balance and predictability of the protocol's way of drawing; empty where nothing is drawn here."""
    if plan.drawing is None:
        return Section("drawing", "How clients are drawn", ())
    listed = (
        "An outsider drew the list beforehand; its slips are sealed, and each is opened only after the "
        "ledger has given its number to a client. What can be guessed follows from the rule and the arms so "
        "far."
    )
    drawn = "No list exists that could be read; what can be guessed follows from the rule alone."
    lead = f"Clients are drawn one at a time by {plan.drawn_by}. {listed if plan.from_list else drawn}"
    return Section("drawing", "How clients are drawn", (*paragraphs(lead), *tables(_table(plan))))


def _table(plan: Plan) -> Table:
    seen = plan.drawing
    assert seen is not None
    rows = (
        cells("an arm's distance from its share, mean", Quantity(seen.mean_imbalance, _CLIENTS)),
        cells("the same, not exceeded in 95 of 100 studies", Quantity(seen.high_imbalance, _CLIENTS)),
        *(
            cells(f"the same at the worst value of {spaced(factor)}, mean", Quantity(value, _CLIENTS))
            for factor, value in seen.imbalance_by_factor
        ),
        cells("draws that can be foreseen for certain", Quantity(seen.certain_share, _SHARE)),
        cells("guesses that are right, by the best guesser", Quantity(seen.correct_guess_share, _SHARE)),
        cells("guesses that are right by luck", Quantity(seen.chance_share, _SHARE)),
    )
    note = (
        f"From {seen.trials} simulated studies of {seen.clients} clients, who come in random order with each "
        "trainer and each value as likely. The best guesser knows the rule and every arm so far."
    )
    return Table(
        "plan_drawing", "What the way of drawing promises", (words_column("what"), column("expected")), rows,
        (note,),
    )  # fmt: skip
