import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design.form import Design
from controller_sim.script import ScriptError, parse_script
from controller_sim.script.syntax import Bounce, Jitter
from controller_sim.script.timeline import bounce_offsets, jittered, lay_out


def word_changes(design: Design, text: str) -> list[tuple[int, int]]:
    instants = lay_out(parse_script(text, design), design).instants
    return [(time_us, instant.turned) for time_us, instant in instants.items()]


@given(st.integers(3, 100_000), st.integers(0, 10**9), st.integers(0, 100))
def test_bounce_is_an_even_number_of_changes_shorter_than_its_time(time_us: int, seed: int, number: int) -> None:
    offsets = bounce_offsets(Bounce(time_us, seed), number)
    assert len(offsets) in (2, 4, 6)
    assert list(offsets) == sorted(set(offsets))
    assert offsets[0] >= 1
    assert offsets[-1] < time_us
    assert offsets == bounce_offsets(Bounce(time_us, seed), number)


def test_bounce_reaches_both_ends_of_its_range() -> None:
    drawn = [bounce_offsets(Bounce(9, seed), 0) for seed in range(300)]
    assert {len(offsets) for offsets in drawn} == {2, 4, 6}
    assert min(map(min, drawn)) == 1
    assert max(map(max, drawn)) == 8


@given(st.lists(st.integers(0, 1023), max_size=20), st.integers(1, 2000), st.integers(0, 10**9))
def test_jitter_stays_near_each_reading_and_inside_what_is_read(values: list[int], most: int, seed: int) -> None:
    found = list(jittered(values, Jitter(most, seed), 0, 1023))
    assert len(found) == len(values)
    assert all(abs(value - trembling) <= most and 0 <= trembling <= 1023 for value, trembling in zip(values, found, strict=True))
    assert found == list(jittered(values, Jitter(most, seed), 0, 1023))
    assert list(jittered(values, None, 0, 1023)) == values


def test_jitter_reaches_both_ends_of_its_range() -> None:
    assert set(jittered([500] * 200, Jitter(3), 0, 1023)) == set(range(497, 504))


@pytest.mark.parametrize(
    ("text", "changes"),
    [
        ("tap a", [(100_000, 1), (160_000, 1)]),
        ("hold b for 1.2s", [(100_000, 2), (1_300_000, 2)]),
        ("chord a+c", [(100_000, 5), (160_000, 5)]),
        ("chord a+c+d skew 20ms for 100ms", [(100_000, 1), (110_000, 4), (120_000, 8), (220_000, 13)]),
        ("double a gap 150ms for 40ms", [(100_000, 1), (140_000, 1), (290_000, 1), (330_000, 1)]),
        ("tap a\n+300ms tap a", [(100_000, 1), (160_000, 1), (460_000, 1), (520_000, 1)]),
        ("tap a\nat 1:02.5 tap b", [(100_000, 1), (160_000, 1), (62_500_000, 2), (62_560_000, 2)]),
        ("at 0s down a\nat 0s down b\nat 5us up a", [(0, 3), (5, 1)]),
        ("expect silence for 2s\ndown a", [(2_100_000, 1)]),
        ('expect display "x" within 2s\ndown a', [(100_000, 1)]),
        ("power on\ndown a", [(100_000, 0), (200_000, 1)]),
        ("down a\npower on\nat 100ms down b", [(100_000, 3)]),
    ],
)
def test_every_change_has_the_time_that_the_document_says(booth: Design, text: str, changes: list[tuple[int, int]]) -> None:
    assert word_changes(booth, text) == changes


def test_a_script_may_last_a_day_and_no_longer(booth: Design) -> None:
    parse_script("at 86400s down a", booth)
    with pytest.raises(ScriptError, match="at most 24 hours"):
        parse_script("at 86400s down a\n+1us up a", booth)
    with pytest.raises(ScriptError, match="at most 24 hours"):
        parse_script('at 86399s expect display "act 1" within 1.000001s', booth)


def test_the_number_of_steps_and_characters_is_limited(booth: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller_sim.script.timeline.MOST_STEPS", 3)
    parse_script("wait 1s\n" * 3, booth)
    with pytest.raises(ScriptError, match="a script has at most 3 steps, not 4"):
        parse_script("wait 1s\n" * 4, booth)
    monkeypatch.setattr("controller_sim.script.parser.MOST_CHARACTERS", 8)
    parse_script("wait 1s\n", booth)
    with pytest.raises(ScriptError, match="a script has at most 8 characters, not 9"):
        parse_script("wait 10s\n", booth)
