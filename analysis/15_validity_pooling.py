"""Error rates and widths of pooled answers by number of studios and spread, 10,000 data sets a row.

Run it with ``python analysis/15_validity_pooling.py``; it writes ``validity/pooling.json``.
"""

import numpy as np
from scipy.special import stdtrit

from analysis.saved_rows import save_rows
from studykit.pooling.statistics import like_many, these_many
from studykit.randomness import stream

SETS, SEED, SPREAD_OF_CLIENT = 10_000, 13, 0.088


def row(studios: int, spread: float) -> dict[str, float]:
    """Shares of data sets that miss, in per cent, and median widths in per cent, of both answers."""
    rng = stream(SEED, "pooling", studios, int(1000 * spread))
    clients = rng.integers(24, 61, (SETS, studios)).astype(float)
    freedom = clients - 3.0
    error = 2.0 * SPREAD_OF_CLIENT * np.sqrt((1.0 + 1.0 / (clients - 4.0)) / clients)
    effects = spread * rng.standard_normal((SETS, studios))
    values = effects + error * rng.standard_normal((SETS, studios))
    seen = error * np.sqrt(rng.chisquare(freedom) / freedom)
    these, (like, _) = these_many(values, seen, freedom, clients), like_many(values, seen)
    aim = (clients * effects).sum(axis=1) / clients.sum(axis=1)
    found: dict[str, float] = {"studios": studios, "spread": spread}
    for name, answer, truth in (("these", these, aim), ("like", like, 0.0)):
        half = stdtrit(answer.degrees_of_freedom, 0.975) * answer.standard_error
        found[f"{name}_miss"] = round(100.0 * float((np.abs(answer.value - truth) > half).mean()), 2)
        found[f"{name}_width"] = round(200.0 * float(np.median(half)), 2)
    return found


if __name__ == "__main__":
    rows = [row(studios, spread) for spread in (0.0, 0.02, 0.05) for studios in (2, 3, 5, 8, 10, 12, 20, 30)]
    about = "Pooling of studios: data sets that miss the truth and median widths, in per cent"
    save_rows("pooling", about, __file__, rows, trials=SETS, seed=SEED)
    print("\n".join(map(str, rows)))
