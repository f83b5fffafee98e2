"""Each rule of YAML and of the declarations, by the whole error that breaking it gives."""

from __future__ import annotations

import pytest

from controller_sim.design import DesignError, load_design_text

REFUSED: dict[str, tuple[str, str]] = {
    "empty": (
        "",
        "design:1:1: the design is empty",
    ),
    "comment only": (
        "# nothing\n",
        "design:1:1: the design is empty",
    ),
    "a list": (
        "[a, b]",
        "design:1:1: a design is a mapping: 'switches: [a, b]' and so on",
    ),
    "two documents": (
        "switches: [a, b, c]\nmodes: {show: {}}\n---\na: 1\n",
        "design:3:1: a design file holds one document: '---' stands here again",
    ),
    "anchor": (
        "switches: &s [a]\nmodes: {show: {}}\n",
        "design:1:11: anchors ('&') and aliases ('*') are not part of a design",
    ),
    "alias": (
        "switches: [a]\nleds: *s\nmodes: {show: {}}\n",
        "design:2:7: anchors ('&') and aliases ('*') are not part of a design",
    ),
    "merge key": (
        "switches: [a]\n<<: {title: x}\nmodes: {show: {}}\n",
        "design:2:1: merge keys ('<<') are not part of a design",
    ),
    "tag": (
        "switches: !!seq [a]\nmodes: {show: {}}\n",
        "design:1:11: tags ('!') are not part of a design",
    ),
    "duplicate key": (
        "switches: [a, b, c]\nswitches: [a, b, c]\nmodes: {show: {}}\n",
        "design:2:1: 'switches' stands here twice\ndesign:1:1: the first is here",
    ),
    "tab": (
        "switches: [a, b, c]\nmodes:\n\tshow: {}\n",
        "design:3:1: a tab cannot indent: use blanks",
    ),
    "control character": (
        "switches: [a, b, c]\ntitle: a\x01b\nmodes: {show: {}}\n",
        "design:2:9: the character U+0001 cannot stand in a design",
    ),
    "deep": (
        "title: [[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[[",
        "design:1:23: this is nested more than 16 deep",
    ),
    "folded": (
        "switches: [a, b, c]\nmodes:\n  show:\n    enter: >\n      pass\n",
        "design:4:12: a folded text ('>') is not part of a design: write '|'",
    ),
    "unclosed": (
        "switches: [a\n",
        "design:2:1: this is not YAML: expected ',' or ']', but got '<stream end>'",
    ),
    "list as key": (
        "[a]: 1\n",
        "design:1:1: a key must be a word or a line of text",
    ),
    "unknown key": (
        "switches: [a, b, c]\nmodes: {show: {}}\nmode: 1\n",
        "design:3:1: the design has no key 'mode'; did you mean 'modes'?",
    ),
    "unknown key with nothing near": (
        "switches: [a, b, c]\nmodes: {show: {}}\nzzz: 1\n",
        (
            "design:3:1: the design has no key 'zzz': write format, title, switches, leds, colours, display, timing, tempo"
            ", wire, storage, budget, pedals, devices, memory, procedures, home, modes, everywhere, power_on"
        ),
    ),
    "no switches": (
        "modes: {show: {}}\n",
        "design:1:1: a design needs 'switches', for example 'switches: [a, b, c]'",
    ),
    "no modes": (
        "switches: [a, b, c]\n",
        "design:1:1: a design needs 'modes' with at least one mode",
    ),
    "too many switches": (
        ("switches: [s0, s1, s2, s3, s4, s5, s6, s7, s8, s9, s10, s11, s12, s13, s14, s15, s16]\nmodes: {show: {}}\n"),
        "design:1:11: switches has 17 entries, but must have 1..16",
    ),
    "format": (
        "format: 2\nswitches: [a, b, c]\nmodes: {show: {}}\n",
        "design:1:9: format is 2, but must be 1",
    ),
    "switch twice": (
        "switches: [a, a]\nmodes: {show: {}}\n",
        "design:1:15: the name 'a' is taken\ndesign:1:12: it names a switch here",
    ),
    "keyword": (
        "switches: [if]\nmodes: {show: {}}\n",
        "design:1:12: 'if' is a word of the action language and cannot name a switch",
    ),
    "word of the language": (
        "switches: [tempo]\nmodes: {show: {}}\n",
        "design:1:12: 'tempo' is a word of the language and cannot name a switch",
    ),
    "bad name": (
        "switches: [1a]\nmodes: {show: {}}\n",
        ("design:1:12: '1a' is no name for a switch: letters, digits and _, starting with a letter, at most 40 characters"),
    ),
    "name clash": (
        "switches: [a, b, c]\nmemory: {a: {range: 0..1}}\nmodes: {show: {}}\n",
        "design:2:10: the name 'a' is taken\ndesign:1:12: it names a switch here",
    ),
    "led twice": (
        "switches: [a, b, c]\nleds: [a, a]\nmodes: {show: {}}\n",
        "design:2:11: the LED 'a' stands here twice\ndesign:2:8: the first is here",
    ),
    "display without characters": (
        "switches: [a, b, c]\ndisplay: {lines: 1}\nmodes: {show: {}}\n",
        "design:2:10: a display needs 'characters', for example 'display: {characters: 6}'",
    ),
    "display too wide": (
        "switches: [a, b, c]\ndisplay: {characters: 41}\nmodes: {show: {}}\n",
        "design:2:23: characters is 41, but must be 1..40",
    ),
    "duration": (
        "switches: [a, b, c]\ntiming: {hold: 5}\nmodes: {show: {}}\n",
        "design:2:16: '5' is no duration: write for example 5ms, 1.5s or 250us",
    ),
    "duration too fine": (
        "switches: [a, b, c]\ntiming: {hold: 0.5us}\nmodes: {show: {}}\n",
        "design:2:16: '0.5us' is not a whole number of microseconds",
    ),
    "duration zero": (
        "switches: [a, b, c]\ntiming: {hold: 0ms}\nmodes: {show: {}}\n",
        "design:2:16: '0ms' is too short: at least 1us",
    ),
    "duration too long": (
        "switches: [a, b, c]\ntiming: {hold: 3600s}\nmodes: {show: {}}\n",
        "design:2:16: '3600s' is too long: at most 1800s",
    ),
    "debounce": (
        "switches: [a, b, c]\ntiming: {debounce: {press: lokout 5ms}}\nmodes: {show: {}}\n",
        ("design:2:28: 'lokout 5ms' is no debounce: write 'settle 12ms', 'lockout 5ms' or 'none'; did you mean 'lockout'?"),
    ),
    "repeat count missing": (
        "switches: [a, b, c]\ntiming: {repeat: {then: [140ms, 50ms]}}\nmodes: {show: {}}\n",
        "design:2:26: '140ms' needs a count, as in '140ms x 8': only the last period goes on for ever",
    ),
    "repeat count last": (
        "switches: [a, b, c]\ntiming: {repeat: {then: [140ms x 2]}}\nmodes: {show: {}}\n",
        "design:2:26: the last period goes on for ever and takes no count, so not '140ms x 2'",
    ),
    "tempo start": (
        "switches: [a, b, c]\ntempo: {range: 30..60, start: 90}\nmodes: {show: {}}\n",
        "design:2:31: start is 90, but must be 30..60",
    ),
    "port": (
        "switches: [a, b, c]\ntempo: {clock: [usbb]}\nmodes: {show: {}}\n",
        "design:2:17: clock is serial or usb, not 'usbb'; did you mean 'usb'?",
    ),
    "port twice": (
        "switches: [a, b, c]\ntempo: {clock: [usb, usb]}\nmodes: {show: {}}\n",
        "design:2:22: clock names a port twice",
    ),
    "delayed": (
        "switches: [a, b, c]\nwire: {delayed_messages: 65}\nmodes: {show: {}}\n",
        "design:2:26: delayed_messages is 65, but must be 1..64",
    ),
    "truth": (
        "switches: [a, b, c]\nwire: {running_status: maybe}\nmodes: {show: {}}\n",
        "design:2:24: running_status is yes or no, not 'maybe'",
    ),
    "channel missing": (
        "switches: [a, b, c]\ndevices: {room: {}}\nmodes: {show: {}}\n",
        "design:2:11: the device room needs a channel, 1..16",
    ),
    "channel": (
        "switches: [a, b, c]\ndevices: {room: {channel: 17}}\nmodes: {show: {}}\n",
        "design:2:27: channel is 17, but must be 1..16",
    ),
    "programs": (
        "switches: [a, b, c]\ndevices: {room: {channel: 1, programs: 1..128}}\nmodes: {show: {}}\n",
        "design:2:40: the range 1..128 leaves 0..127",
    ),
    "range backwards": (
        "switches: [a, b, c]\ndevices: {room: {channel: 1, programs: 9..1}}\nmodes: {show: {}}\n",
        "design:2:40: the range 9..1 is empty: 9 is more than 1",
    ),
    "bank": (
        "switches: [a, b, c]\ndevices: {room: {channel: 1, bank_select: mbs}}\nmodes: {show: {}}\n",
        "design:2:43: bank_select is none or msb or lsb or both, not 'mbs'; did you mean 'msb'?",
    ),
    "controller off": (
        ("switches: [a, b, c]\ndevices: {room: {channel: 1, controllers: {wet: {number: 1, off: 0}}}}\nmodes: {show: {}}\n"),
        "design:2:61: the controller wet has 'off' but no 'on'",
    ),
    "cell without range": (
        "switches: [a, b, c]\nmemory: {n: {keep: yes}}\nmodes: {show: {}}\n",
        "design:2:10: the memory cell n needs a range, for example 'range: 0..7', or names",
    ),
    "cell range": (
        "switches: [a, b, c]\nmemory: {n: {range: 5}}\nmodes: {show: {}}\n",
        "design:2:21: '5' is no range: write for example 0..127",
    ),
    "cell start": (
        "switches: [a, b, c]\nmemory: {n: {range: 1..5, start: 0}}\nmodes: {show: {}}\n",
        "design:2:34: start is 0, but must be 1..5",
    ),
    "cell starts": (
        "switches: [a, b, c]\nmemory: {n: {range: 1..5, size: 3, start: [1, 2]}}\nmodes: {show: {}}\n",
        "design:2:43: start has 2 entries, but size asks for 3",
    ),
    "cell ends": (
        "switches: [a, b, c]\nmemory: {n: {range: 1..5, ends: warp}}\nmodes: {show: {}}\n",
        "design:2:33: ends is wrap or clamp, not 'warp'; did you mean 'wrap'?",
    ),
    "names and range": (
        "switches: [a, b, c]\nmemory: {n: {range: 0..2, names: [x, y]}}\nmodes: {show: {}}\n",
        "design:2:21: 2 names give the range 0..1, not 0..2: leave 'range' out",
    ),
    "value name means two": (
        "switches: [a, b, c]\nmemory: {n: {names: [x, y]}, m: {names: [y, x]}}\nmodes: {show: {}}\n",
        "design:2:42: 'y' means 1 and cannot mean 0 too\ndesign:2:25: it is named here",
    ),
    "elements": (
        "switches: [a, b, c]\nmemory: {n: {range: 0..1, size: 4096}, m: {range: 0..1}}\nmodes: {show: {}}\n",
        "design:2:40: the memory holds 4097 elements up to here, but at most 4096",
    ),
}
"""What is wrong: the design, and the whole error."""


@pytest.mark.parametrize("wrong", REFUSED)
def test_what_is_wrong_is_refused_with_its_place_and_what_would_be_right(wrong: str) -> None:
    text, message = REFUSED[wrong]
    with pytest.raises(DesignError) as error:
        load_design_text(text)
    assert str(error.value) == message
