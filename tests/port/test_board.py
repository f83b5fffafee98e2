"""The board's side of the MicroPython port, run by MicroPython on pins that tell what is done to them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from controller_sim.design import load_design
from controller_sim.port import WRITERS
from controller_sim.port.rehearsal import command
from controller_sim.simulator import Storage

ROOT = Path(__file__).resolve().parents[2]
RUNTIME = ROOT / "controller_sim" / "port" / "runtime" / "micropython"
MACHINE = """
levels = {}

class Pin:
    IN, PULL_UP = 0, 1
    def __init__(self, number, mode=None, pull=None):
        self.number = number
    def value(self):
        return levels.get(self.number, 1)

class ADC:
    def __init__(self, pin):
        self.pin = pin
    def read_u16(self):
        return levels.get(self.pin.number, 0)

class PWM:
    def __init__(self, pin, freq, duty_u16):
        self.pin = pin
    def duty_u16(self, duty):
        print("pin", self.pin.number, duty)

class UART:
    def __init__(self, number, baudrate, tx, rx):
        print("uart", number, baudrate, tx.number, rx.number)
        self.calls = 0
    def write(self, data):
        self.calls += 1
        if self.calls & 1:
            return None
        print("sent", bytes(data[:2]).hex())
        return min(2, len(data))
"""
PINS = """
SWITCHES = (2, 3)
LEDS = (((4,),), ((5,), (6,), (5, 6)))
PEDALS = (26,)
UART, UART_TX, UART_RX = 1, 8, 9
USB = False
IMAGE_FILE = "kept.bin"
"""


RUNTIME_FILES = {path.name: path.read_text(encoding="utf-8") for path in RUNTIME.glob("*.py")} | {"pins.py": PINS}


def run(folder: Path, statements: str, files: dict[str, str] = RUNTIME_FILES) -> list[str]:
    """The lines that MicroPython prints for some statements, among some files."""
    call = command()
    assert call is not None
    for name, text in (files | {"machine.py": MACHINE, "test.py": statements}).items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    done = subprocess.run([*call, "test.py"], cwd=folder, capture_output=True, text=True, timeout=60)
    assert not done.stderr, done.stderr
    return done.stdout.splitlines()


def test_a_closed_contact_is_a_low_pin(tmp_path: Path) -> None:
    code = (
        "import board, machine\nboard.start()\nmachine.levels[3] = 0\nprint(board.closed())\nmachine.levels[26] = 77\nprint(board.pedal(0))"
    )
    assert run(tmp_path, code) == ["uart 1 31250 8 9", "2", "77"]


@pytest.mark.parametrize(
    ("value", "lit"),
    [
        pytest.param(0, {}, id="off"),
        pytest.param(1, {5: 65535}, id="red"),
        pytest.param(4 + 1, {6: 65535}, id="green"),
        pytest.param(8 + 3, {5: 4000, 6: 4000}, id="dim in both"),
    ],
)
def test_an_led_lights_the_pins_of_its_colour(value: int, lit: dict[int, int], tmp_path: Path) -> None:
    lines = run(tmp_path, f"import board\nboard.start()\nboard.light(1, 8 + 1)\nboard.light(1, {value})\nprint(board.blink(0))")
    duty = {}
    for line in lines[1:-1]:
        _, pin, level = line.split()
        duty[int(pin)] = int(level)
    assert {pin: level for pin, level in duty.items() if level} == lit
    assert lines[-1] == "None"


def test_a_blinking_led_changes_every_quarter_of_a_second(tmp_path: Path) -> None:
    code = "import board\nboard.start()\nboard.light(0, 2)\n"
    code += "for now in (0, 100, 249_999, 250_000, 600_000):\n    print('rest', board.blink(now))"
    after_light = ["pin 4 65535", "rest 250000", "rest 249900", "rest 1", "pin 4 0", "rest 250000", "pin 4 65535", "rest 150000"]
    assert run(tmp_path, code)[3:] == after_light


def test_no_byte_is_lost_where_the_serial_port_takes_few_at_a_time(tmp_path: Path) -> None:
    code = "import board\nboard.start()\nboard.send_serial(bytearray(b'\\xf0\\x01\\x02\\x03\\xf7'))"
    assert run(tmp_path, code)[1:] == ["sent f001", "sent 0203", "sent f7"]


def test_the_display_is_the_console_until_a_builder_writes_another(tmp_path: Path) -> None:
    assert run(tmp_path, "import board\nboard.show('act 1\\nscene 2')") == ["act 1", "scene 2"]


def test_a_port_without_its_library_is_told_and_not_used(tmp_path: Path) -> None:
    code = "import board, pins\npins.USB = True\nboard.start()\nboard.send_usb(12, b'\\xc0\\x01')\nprint(board.received_usb())"
    assert run(tmp_path, code)[1:] == ["no MIDI by USB: install usb-device-midi with mip", "b''"]


def test_an_image_is_begun_where_there_is_none_and_read_again(tmp_path: Path) -> None:
    code = (
        "from image import Image\n"
        "first = Image('kept.bin', 8)\nfirst.write(iter([(2, 7), (3, 9), (2, 1)]))\n"
        "print(bytes(Image('kept.bin', 8).memory).hex())"
    )
    assert run(tmp_path, code) == ["ffff0109ffffffff"]


@pytest.mark.parametrize(("other", "length", "taken"), [("starter", 1024, True), ("booth", 1024, False), ("starter", 1000, False)])
def test_an_image_of_another_design_or_length_is_left_as_it_is(other: str, length: int, taken: bool, tmp_path: Path) -> None:
    design, stranger = (load_design(str(ROOT / "configs" / f"{name}.yaml")) for name in ("starter", other))
    chip = Storage(stranger)
    before = chip.power_on()
    chip.save(before, (7, *before[1:]), 0)
    (tmp_path / "kept.bin").write_bytes(chip.image[:length])
    code = "from main import Controller\ncontroller = Controller()\nprint(controller.image is not None, controller.engine.cells)"
    lines = run(tmp_path, code, WRITERS["micropython"](design, ""))
    assert lines[-1] == ("True [7]" if taken else "False [0]")
    assert any("remove kept.bin" in line for line in lines) != taken
    assert (tmp_path / "kept.bin").read_bytes() == chip.image[:length]
