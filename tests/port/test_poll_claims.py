"""What the C says of its loops, and what the bound of a poll takes for given, is so however random feet, pedals, MIDI and power play."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools"))

from firmware_checks import wild  # noqa: E402  # no package of the project, tools/ must be on the path first
from firmware_checks.building import CheckError, compile_c, compiler, put, run  # noqa: E402

from controller_sim.design.form import Design  # noqa: E402
from controller_sim.port.c_loops import SourceLoop, Sources  # noqa: E402
from controller_sim.port.poll_facts import CALLS, CALLS_BEFORE_THE_FIRST, CALLS_IN_A_MODE  # noqa: E402

pytestmark = pytest.mark.needs("cc", "nm")

EDGES = 20_000
DEMOS = wild.named_designs(ROOT / "configs" / f"{name}.yaml" for name in ("starter", "booth", "touring"))
OTHERS = wild.random_designs(3, 5)
# Polls of the wild board may be minutes apart.
NOT_OF_A_BOARD = "as no poll is so long"
HOOKS = """
#define QUIET __attribute__((no_instrument_function))
static const struct { bool before, within; unsigned most; } facts[] = {%s};
#define FACTS (sizeof facts / sizeof *facts)
static uintptr_t functions[64];
static size_t owners[64], function_count;
static unsigned calls[FACTS];
static bool is_polling, begins_before;
/* Of each binding: its mode, or -1 where that does not matter; its key's switches, if it fires when that is decided. */
static const struct { int mode; unsigned decided; } bindings[] = {%s};
static uint8_t begins_in;
static unsigned fired[sizeof bindings / sizeof *bindings], decided[16];

QUIET void hw_happened(uint8_t kind, uint16_t what)
{
    if (!is_polling || kind != CTL_FIRED) {
        return;
    }
    bool is_so = ++fired[what] == 1 && (bindings[what].mode < 0 || bindings[what].mode == begins_in);
    for (size_t s = 0; s < 16; s++) {
        if (bindings[what].decided >> s & 1u) {
            is_so = is_so && (!decided[s] || decided[s] == bindings[what].decided);
            decided[s] = bindings[what].decided;
        }
    }
    if (!is_so) {
        fprintf(stderr, "binding %%d is fired where it cannot be\\n", what);
        abort();
    }
}

QUIET void hw_answered(uint16_t response, const int16_t *values, uint8_t count)
{
    (void)response, (void)values, (void)count;
}

QUIET void __cyg_profile_func_enter(void *function, void *site)
{
    (void)site;
    if (function == (void *)ctl_poll) {
        is_polling = true;
        begins_before = ctl.mode == CTL_NO_MODE;
        begins_in = ctl.mode;
        memset(calls, 0, sizeof calls);
        memset(fired, 0, sizeof fired);
        memset(decided, 0, sizeof decided);
    }
    for (size_t i = 0; is_polling && i < function_count; i++) {
        size_t n = owners[i];
        if ((uintptr_t)function == functions[i] && (begins_before ? facts[n].before : facts[n].within) && ++calls[n] > facts[n].most) {
            fprintf(stderr, "fact %%zu: more than %%u calls in a poll\\n", n, facts[n].most);
            abort();
        }
    }
}

QUIET void __cyg_profile_func_exit(void *function, void *site)
{
    (void)site;
    is_polling = is_polling && function != (void *)ctl_poll;
}

/* Functions and the facts that are about them, from the environment. */
__attribute__((constructor)) QUIET static void read_functions(void)
{
    const char *text = getenv("FUNCTIONS");
    for (int used; text && sscanf(text, "%%zx %%zu %%n", &functions[function_count], &owners[function_count], &used) == 2; text += used) {
        function_count++;
    }
}
"""
ROUNDS = """
#include <stdio.h>
#include <stdlib.h>
static void count_round(unsigned rounds, unsigned most, const char *place)
{
    if (rounds > most) {
        fprintf(stderr, "%s: more than %u rounds\\n", place, most);
        abort();
    }
}
"""


def counted(files: Mapping[str, str]) -> dict[str, str]:
    """The same program, which counts the rounds of its loops and stops where there are more than it says."""
    sources = Sources(files)
    return {name: _counted(text, list(sources.loops(name))) if name.endswith(".c") else text for name, text in files.items()}


def _counted(text: str, loops: list[SourceLoop]) -> str:
    lines = text.splitlines()
    for number, loop in enumerate(loops):
        if loop.rounds is None or loop.rounds.in_all or NOT_OF_A_BOARD in lines[loop.first - 1]:
            continue
        body = lines[loop.body - 1]
        at = body.split("/*")[0].rindex("{") + 1
        check = f' count_round(++rounds_{number}, most_{number}, "{loop.file}:{loop.first}");'
        lines[loop.body - 1] = body[:at] + check + body[at:]
        lines[loop.first - 1] = f"{{ unsigned rounds_{number} = 0, most_{number} = {loop.rounds.text}; {lines[loop.first - 1]}"
        lines[loop.last - 1] += " }"
    return "\n".join(lines) + "\n"


def _facts() -> Iterator[tuple[tuple[str, ...], str, bool, bool]]:
    for names, most in CALLS.items():
        if names not in CALLS_BEFORE_THE_FIRST:
            yield names, most, True, True
        else:
            yield names, most, False, True
    yield from ((names, most, True, False) for names, most in CALLS_BEFORE_THE_FIRST.items())
    yield from ((names, most, False, True) for names, most in CALLS_IN_A_MODE.items())


def play(design: Design, folder: Path, files: Mapping[str, str]) -> str:
    facts = list(_facts())
    table = ", ".join(f"{{{int(before)}, {int(within)}, {most}}}" for _, most, before, within in facts)
    keyed = ((b, design.keys[b.key].mask if b.gesture in ("press", "double") and not b.eager else 0) for b in design.bindings)
    bindings = ", ".join(f"{{{-1 if b.gesture == 'release' else b.mode}, {mask}u}}" for b, mask in keyed)
    every = {
        **counted(files),
        "rounds.h": ROUNDS,
        "claims.c": f'#define CTL_TRACE\n#include "rounds.h"\n#include "soak.c"\n{HOOKS % (table, bindings)}',
    }
    place = put(every, folder)
    program = compile_c(compiler(), ("-O1", "-fno-inline", "-no-pie", "-finstrument-functions", "-w"), "claims.c", "claims", place)
    addresses: dict[str, str] = {}
    for line in run(["nm", str(program)], place).stdout.splitlines():
        address, _, name = line.rpartition(" ")
        addresses.setdefault(name.split(".")[0], address.split(" ")[0])
    functions = " ".join(f"{addresses[name]} {n} " for n, (names, *_) in enumerate(facts) for name in names if name in addresses)
    return run([str(program), "1", str(EDGES)], place, FUNCTIONS=functions).stdout


@pytest.mark.parametrize("name", [*DEMOS, *OTHERS])
def test_no_loop_goes_round_more_often_than_it_says_and_no_poll_calls_more_than_is_taken_for_given(name: str, tmp_path: Path) -> None:
    design = {**DEMOS, **OTHERS}[name]
    assert '"polls"' in play(design, tmp_path, wild.wild_files(design))


@pytest.mark.parametrize(
    ("file", "before", "after", "what"),
    [
        ("deadlines.c", "at most count rounds", "at most count - 1 rounds", r"deadlines\.c:\d+: more than \d+ rounds"),
        ("poll.c", "    if (changes) {\n        return;\n    }\n", "", "more than 1 calls in a poll"),
    ],
    ids=["rounds", "calls"],
)
def test_a_claim_that_is_not_so_is_found_out(file: str, before: str, after: str, what: str, tmp_path: Path) -> None:
    files = wild.wild_files(DEMOS["booth"])
    assert files[file].count(before) == 1
    with pytest.raises(CheckError, match=what):
        play(DEMOS["booth"], tmp_path, {**files, file: files[file].replace(before, after)})
