"""The small protocols and rows of the outcomes' tests serve every kind."""

from tests.unit.outcomes.conftest import (  # noqa: F401 (fixtures)
    make_clients,
    make_protocol,
    make_rows,
    make_sessions,
    make_spells,
    provenance,
)
