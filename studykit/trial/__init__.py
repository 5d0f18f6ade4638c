"""A trial's data-generating model: clients, tests, attendance and departures with known truth."""
