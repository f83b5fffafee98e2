"""No round of firmware takes longer than is said of its code, and what cannot be bounded is told.

What is outside the project is simavr (https://github.com/buserror/simavr), in which each program is run.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.form import Design
from controller_sim.port import WRITERS, cycles
from controller_sim.port.avr import Emulator, Firmware, Session, Step, build_firmware
from controller_sim.port.boards import ATMEGA328P
from controller_sim.port.budget import QUEUE_DEFINES, measure
from controller_sim.port.c99 import runtime_files
from controller_sim.port.compiler import build_once
from controller_sim.port.conform import Case
from controller_sim.port.errors import PortError
from controller_sim.port.longest import BYTE_CYCLES, Longest, longest_poll
from controller_sim.port.poll_facts import CALLS, CALLS_BEFORE_THE_FIRST, CALLS_IN_A_MODE, GESTURES
from controller_sim.port.polled import plans
from controller_sim.script import parse_script, play
from controller_sim.simulator import History
from controller_sim.testing.conformance import port_histories
from controller_sim.testing.designs import designs

pytestmark = pytest.mark.needs("avr-gcc", "make", "cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
HEAD = """#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <string.h>
#define ROWS 6
enum { COLUMNS = 4 };
volatile uint8_t out;
volatile uint16_t three = 3;
"""
ROUND = "int main(void)\n{\n    TCCR1B = 2;\n    for (;;) {\n        (void)TCNT1;\n        (void)PINC;\n        round();\n    }\n}\n"


def files(body: str) -> dict[str, str]:
    """A program that does what `round` does in each round, after it has looked at the clock and the contacts."""
    return {"firmware.c": HEAD + body + ROUND, "Makefile": (ATMEGA328P / "Makefile").read_text(encoding="utf-8")}


def built(body: str, folder: Path) -> Path:
    return build_once(files(body), folder, [["make", "firmware.elf"], ["cp", "firmware.elf"]], ".elf")


def told(body: str, folder: Path) -> Longest:
    return longest_poll(None, built(body, folder), files(body), (), folder)


def measured(body: str, folder: Path, for_us: int = 3_000) -> int:
    """The cycles of the longest round in an emulated chip."""
    with Emulator(load_design(CONFIGS / "starter.yaml"), Firmware(built(body, folder), 0, 0x300)) as emulator:
        polls = emulator.play(0, [Step(0, "contacts", (0,))], for_us).polls
    return max(later - earlier for earlier, later in pairwise(polls[1:]))


QUEUE_BYTES = 254
"""So many bytes wait for the serial line at most (QUEUE_DEFINES: one place stays free)."""
EXACT = {
    "loops counted by constants, one in the other": """
static void round(void)
{
    for (uint8_t row = 0; row < ROWS; row++) {
        for (uint8_t column = COLUMNS; column > 0; column--) {
            out = row;
        }
    }
}
""",
    "a loop that says how often it goes round": """
static void round(void)
{
    uint16_t rest = three;
    while (rest--) { /* at most 3 rounds */
        out = 1;
    }
}
""",
    "a loop whose test comes behind": """
static void round(void)
{
    uint8_t rest = (uint8_t)three;
    do { /* at most ROWS / 2 rounds */
        out = rest;
    } while (--rest);
}
""",
    "loops as long as each call says": """
__attribute__((noinline))
static void fill(uint8_t value, uint8_t count)
{
    for (uint8_t i = 0; i < count; i++) {
        out = value;
    }
}

static void round(void)
{
    fill(1, ROWS);
    fill(2, 2 * ROWS + 1);
    fill(3, (uint8_t)three); /* at most 3 rounds */
}
""",
    "a way through two functions": """
__attribute__((noinline))
static void inner(uint8_t value, uint8_t count)
{
    for (uint8_t i = 0; i < count; i++) {
        out = value;
    }
}

__attribute__((noinline))
static void outer(uint8_t count)
{
    out = 9;
    inner(1, count);
}

static void round(void)
{
    outer(5);
}
""",
    "the compiler's memset, as long as its call says": """
static uint8_t bytes[9];

static void round(void)
{
    memset(bytes, out, three); /* at most 3 rounds */
}
""",
    "the longer of two ways": """
static void round(void)
{
    if (three == 3) {
        out = 1;
        out = 2;
        out = 3;
    } else {
        out = 4;
    }
}
""",
    "a jump by a table": """
static void round(void)
{
    switch (three) {
    case 0: out = 5; break;
    case 1: out = 8; break;
    case 2: out = 13; break;
    case 3: out = 1; out = 2; out = 3; out = 4; out = 5; out = 6; break;
    case 4: PORTB = 1; break;
    case 5: out = 3; PORTB = 2; break;
    case 6: out = 5; break;
    case 7: out = 9; break;
    case 8: out = 7; break;
    case 9: out = 4; out = 2; break;
    case 10: out = 77; break;
    case 11: out = 71; break;
    case 12: out = 72; break;
    case 13: out = 73; break;
    case 14: out = 74; break;
    case 15: out = 75; break;
    case 16: out = 76; break;
    case 17: out = 78; break;
    default: break;
    }
}
""",
}
"""What each round does at its worst."""


@pytest.mark.parametrize("name", EXACT)
def test_what_always_takes_its_longest_way_takes_as_long_as_is_told(name: str, tmp_path: Path) -> None:
    assert told(EXACT[name], tmp_path).cycles == measured(EXACT[name], tmp_path)


NEAR = {
    "rounds in all, however they are shared out": """
static void round(void)
{
    uint8_t rest = 4;
    for (uint8_t row = 0; row < ROWS; row++) {
        while (rest && row & 1) { /* at most 4 rounds in all */
            out = rest--;
        }
    }
}
""",
    "a division": """
volatile uint32_t wide = 0xFFFFFFFFu;

static void round(void)
{
    out = (uint8_t)(wide / three);
}
""",
    "two loops of which the compiler makes one, as they begin alike": """
static void round(void)
{
    uint8_t rest = 20;
    for (uint8_t row = 0; row < ROWS; row++) {
        while (rest & 3) { /* at most 3 rounds */
            out = rest--;
        }
        rest--;
    }
}
""",
}
"""What does not take its longest way at each turn."""


@pytest.mark.parametrize("name", NEAR)
def test_nothing_takes_longer_than_is_told_and_not_much_less(name: str, tmp_path: Path) -> None:
    longest = measured(NEAR[name], tmp_path)
    assert longest <= told(NEAR[name], tmp_path).cycles < longest * 1.5


INTERRUPTED = """
ISR(TIMER1_OVF_vect)
{
    for (uint8_t i = 0; i < 50; i++) {
        out = i;
    }
}

static void round(void)
{
    TIMSK1 = 1;
    sei();
}
"""


def test_an_interrupt_is_counted_with_all_that_it_does(tmp_path: Path) -> None:
    longest = measured(INTERRUPTED, tmp_path, 70_000)
    assert longest > 250
    assert longest <= told(INTERRUPTED, tmp_path).cycles <= longest + 20
    assert dict(told(INTERRUPTED, tmp_path).shares)["interrupts"] > 250


def test_it_is_told_what_the_time_goes_into(tmp_path: Path) -> None:
    longest = told(EXACT["loops as long as each call says"], tmp_path)
    assert longest.shares[0][0] == "fill" and sum(cycles for _, cycles in longest.shares) == longest.cycles


def may_wait(session: Session) -> set[int]:
    """The polls in which the queue for the serial line may be full: as many bytes as it holds go out one right after the other."""
    found: set[int] = set()
    polls: list[int] = []
    end = 0
    for what, numbers in [*session.told, ("byte", (0, 0, 1 << 62, 0))]:
        if what == "byte":
            poll, _, start, _ = numbers
            if start > end + BYTE_CYCLES:
                found |= {*range(polls[0], polls[-1] + 1)} if len(polls) >= QUEUE_BYTES else set()
                polls = []
            polls.append(poll)
            end = start + BYTE_CYCLES
    return found


def assert_no_poll_takes_longer(design: Design, histories: Sequence[History]) -> None:
    firmware = WRITERS["atmega328p"](design, "")
    made = build_firmware(firmware, QUEUE_DEFINES)
    most = longest_poll(design, made.elf, firmware, QUEUE_DEFINES).cycles
    with Emulator(design, made) as emulator:
        for history in histories:
            for plan in plans(design, history):
                session = emulator.play(plan.contacts, plan.steps, plan.off_us)
                taken = [later - earlier for earlier, later in pairwise(session.polls)]
                waiting = may_wait(session)
                assert max((cycles for poll, cycles in enumerate(taken) if poll not in waiting), default=0) <= most


@pytest.mark.parametrize("name", ["starter", "booth"])
@settings(max_examples=3)
@given(data=st.data())
def test_no_poll_of_a_demo_takes_longer_than_is_told(name: str, data: st.DataObject) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    assert_no_poll_takes_longer(design, [data.draw(port_histories(design))])


@settings(max_examples=6)
@given(data=st.data())
def test_no_poll_of_any_design_takes_longer_than_is_told(data: st.DataObject) -> None:
    design = data.draw(designs())
    history = data.draw(port_histories(design))
    try:
        assert_no_poll_takes_longer(design, [history])
    except PortError as error:
        assume(not re.search("fit the chip|the board has|the LEDs need|displays of", str(error)))
        raise


def test_every_function_that_a_fact_is_about_is_one_of_the_runtime() -> None:
    runtime = "\n".join(text for name, text in runtime_files().items() if name.endswith(".c"))
    defined = set(re.findall(r"^(?:\w+ )+\*?(\w+)\([^;]*?\)\n\{", runtime, re.MULTILINE))
    # What each design writes itself (c99.py).
    defined |= {"ctl_run_enter"}
    told = {name for facts in (CALLS, CALLS_IN_A_MODE, CALLS_BEFORE_THE_FIRST) for names in facts for name in names} | {*GESTURES}
    assert told - defined == set()


def test_the_bound_is_of_use_a_run_comes_near_to_it() -> None:
    design = load_design(CONFIGS / "booth.yaml")
    run = play(design, parse_script((CONFIGS / "booth_rehearsal.press").read_text(encoding="utf-8"), design))
    worst = measure(design, WRITERS["atmega328p"](design, ""), [Case("", History(run.inputs, run.end_us))], lambda text: None)
    files = WRITERS["atmega328p"](design, "")
    assert longest_poll(design, build_firmware(files).elf, files).cycles < 4 * worst.poll_cycles


# Faults that must not go unnoticed: whoever tells too little is found out by the emulated chip.


def test_a_loop_that_says_too_little_of_itself_is_found_out(tmp_path: Path) -> None:
    body = EXACT["a loop that says how often it goes round"].replace("at most 3", "at most 2")
    assert told(body, tmp_path).cycles < measured(body, tmp_path)


def test_a_wrong_time_of_an_instruction_is_found_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    body = EXACT["the longer of two ways"]
    monkeypatch.setitem(cycles.CYCLES, "sts", 1)
    assert told(body, tmp_path).cycles < measured(body, tmp_path)


UNKNOWN = {
    r"^firmware\.c:11: how often this goes round": "static void round(void)\n{\n    while (three) {\n        out = 1;\n    }\n}\n",
    r"^firmware\.c:14: .*not constant.*rounds \*/": EXACT["the compiler's memset, as long as its call says"].replace(
        "/* at most 3 rounds */", ""
    ),
    r"^firmware\.c:22: .*not constant.*rounds \*/": EXACT["loops as long as each call says"].replace("/* at most 3 rounds */", ""),
    "no bound": """
static void inner(uint8_t n)
{
    if (n) {
        inner(n / 2);
        out = n;
        inner(n - 1);
        out = n;
    }
}

static void round(void)
{
    inner(3);
}
""",
    "cannot be followed: icall": "void (*volatile f)(void);\nstatic void round(void)\n{\n    f();\n}\n",
}


@pytest.mark.parametrize("what", UNKNOWN)
def test_what_has_no_known_end_is_an_error_that_says_where(what: str, tmp_path: Path) -> None:
    with pytest.raises(PortError, match=what):
        told(UNKNOWN[what], tmp_path)
