"""Properties of the retention clock, against a differently written day-by-day twin."""

from hypothesis import example, given, settings
from hypothesis import strategies as st

from studykit.retention.clock import ClientHistory, Pause, RetentionRule, departures, is_active, spell

RULES = st.builds(
    RetentionRule, st.integers(1, 40), st.integers(0, 30), st.integers(0, 60), st.integers(5, 200)
)


@st.composite
def histories(draw, *, registered=False):
    through = draw(st.integers(0, 150))
    attended = draw(st.sets(st.integers(0, through), max_size=12))
    closures = draw(st.lists(st.tuples(st.integers(0, 150), st.integers(0, 12)), max_size=3))
    pauses = draw(
        st.lists(st.tuples(st.integers(0, 150), st.integers(0, 40), st.integers(0, 190)), max_size=3)
    )
    return ClientHistory(
        tuple(attended),
        through,
        pauses=tuple((a, a + n, r if registered else None) for a, n, r in pauses),
        closures=tuple((a, a + n) for a, n in closures),
    )


def walk_day_by_day(history, rule):
    """The clock as a person would keep it on paper: one line per day. Pauses entered in time only."""
    paused_days, used = [], {}
    order = sorted(history.pauses, key=lambda pause: pause[:2])
    excused = set()
    for number, pause in enumerate(order):
        for day in range(pause.first, pause.last + 1):
            closed = any(c.first <= day <= c.last for c in history.closures)
            recent = [d for d in paused_days if day - rule.pause_window_days < d <= day]
            if closed or day in excused or len(recent) >= rule.pause_total_cap_days:
                continue
            if used.get(number, 0) < rule.pause_cap_days:
                used[number] = used.get(number, 0) + 1
                paused_days.append(day)
                excused.add(day)
    absent, active, confirmed = 0, [], []
    for day in range(history.data_through + 1):
        closed = any(c.first <= day <= c.last for c in history.closures)
        if day in history.attended or day == 0:
            absent = 0
        elif not closed and day not in excused:
            absent += 1
            if absent == rule.absence_days:
                confirmed.append(day)
        active.append(absent < rule.absence_days)
    return active, confirmed


@settings(max_examples=150, deadline=None)
@given(histories(), RULES)
def test_the_clock_agrees_with_a_day_by_day_diary(history, rule):
    active, confirmed = walk_day_by_day(history, rule)
    assert [d.confirmed_on for d in departures(history, rule)] == confirmed
    days = range(0, history.data_through + 1, 7)
    assert [is_active(history, day, rule=rule) for day in days] == [active[day] for day in days]


@settings(max_examples=150, deadline=None)
@given(histories(registered=True), RULES, st.integers(1, 200))
def test_the_curve_at_the_horizon_is_the_active_share_returns_apart(history, rule, horizon):
    """Design: a curve dated by confirmed_on agrees at H with the primary, returns apart."""
    status = is_active(history, horizon, rule=rule)
    found = spell(history, horizon, rule=rule)
    if horizon <= history.data_through:
        returned = any(
            d.returned_on is not None and d.returned_on <= horizon for d in departures(history, rule)
        )
        if not returned:
            assert found.event is (not status)
        assert (found.event and status is True) <= returned
    if status is False:
        assert found.event
    if not found.event:
        assert found.time == min(horizon, history.data_through)


@settings(max_examples=100, deadline=None)
@given(histories(registered=True), RULES, st.integers(1, 150))
@example(ClientHistory((), 38, pauses=(Pause(0, 5, registered=39),)), RetentionRule(38, 2, 1, 5), 28)
def test_more_data_never_change_what_was_known(history, rule, cut):
    shorter = ClientHistory(
        tuple(day for day in history.attended if day <= cut),
        min(cut, history.data_through),
        pauses=history.pauses,
        closures=history.closures,
    )
    known = [d.confirmed_on for d in departures(history, rule) if d.confirmed_on <= shorter.data_through]
    assert [d.confirmed_on for d in departures(shorter, rule)] == known
    for day in (cut // 2, cut, cut + 10):
        early, late = is_active(shorter, day, rule=rule), is_active(history, day, rule=rule)
        if early is not None:
            assert late in (early, None) if day > history.data_through else late is early


@settings(max_examples=100, deadline=None)
@given(histories(registered=True), RULES, st.integers(0, 150))
def test_a_day_is_judged_by_what_was_registered_until_then(history, rule, cut):
    """The pauses entered later, which nobody could have known, change no status and no departure."""
    cut = min(cut, history.data_through)
    then = ClientHistory(
        tuple(day for day in history.attended if day <= cut),
        cut,
        pauses=tuple(pause for pause in history.pauses if pause.registered <= cut),
        closures=history.closures,
    )
    known = [d.confirmed_on for d in departures(history, rule) if d.confirmed_on <= cut]
    assert [d.confirmed_on for d in departures(then, rule)] == known
    assert is_active(then, cut, rule=rule) is is_active(history, cut, rule=rule)


@settings(max_examples=100, deadline=None)
@given(histories(), RULES, st.integers(1, 150))
def test_pauses_and_closures_only_ever_delay_departures(history, rule, horizon):
    plain = ClientHistory(history.attended, history.data_through)
    assert len(departures(history, rule)) <= len(departures(plain, rule))
    stays = spell(history, horizon, rule=rule)
    assert stays.time >= spell(plain, horizon, rule=rule).time


@settings(max_examples=100, deadline=None)
@given(histories(registered=True), RULES, st.integers(1, 150))
def test_dating_by_the_last_session_never_comes_later_than_confirmation(history, rule, horizon):
    by_session = spell(history, horizon, rule=rule, dated_by="last_attended")
    by_confirmation = spell(history, horizon, rule=rule)
    assert by_session.time <= max(by_confirmation.time, 1)
