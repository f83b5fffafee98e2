"""`controller-sim port`: write a design as a program for a controller."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller_sim.cli.terminal import BadInput, add_command, load, play_script, read_script, show_progress, text_of, write_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from controller_sim.design.form import Design

_WRITTEN = "written.txt"
"""Says of every file what it was when it was written, so that a file that somebody has changed since is known."""

_EPILOG = """\
What says how your own board is wired (pins.h, pins.py, board.c, board.py) is yours: where such a file is there already, it is left as
it is. All else is written anew, unless somebody has changed it since it was written: then nothing is, but with --force.

Of firmware for the ATmega328P it tells what it takes of the chip. That is built with avr-gcc, and run in an emulated chip over the
press scripts beside the design and some random feet; --unmeasured leaves that out.

examples:
  controller-sim port configs/booth.yaml --to c99 --out booth_firmware
  controller-sim port configs/starter.yaml --to atmega328p --out starter_board && make -C starter_board
  controller-sim port configs/booth.yaml --to micropython --out booth_micropython
  controller-sim port configs/booth.yaml --to c99 --out booth_firmware --force

exit codes: 0 written, 2 a file or the command line is wrong, files were changed by hand, or the firmware does not fit the chip
"""
_MEASURED = "atmega328p"
_SHARES = 4
"""So many of the functions in which the longest poll spends most."""
_FEET_S = 20
"""For so long random feet go on."""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "port", "write a design as a program for a controller", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--to", metavar="TARGET", required=True, help="what to write it for, such as c99, atmega328p or micropython")
    parser.add_argument("--out", metavar="DIR", required=True, help="the folder to write to")
    parser.add_argument("--force", action="store_true", help="write over files that were changed by hand")
    parser.add_argument("--unmeasured", action="store_true", help="do not find out what the firmware takes of its chip")
    parser.add_argument("--json", action="store_true", help="what was written, and what it takes, as JSON")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    from controller_sim.port import BUILDERS_OWN, WRITERS
    from controller_sim.port.errors import PortError

    if arguments.to not in WRITERS:
        raise BadInput(f"there is nothing to write for {arguments.to!r}; there is {', '.join(WRITERS)}")
    design = load(arguments.design)
    try:
        files = WRITERS[arguments.to](design, Path(arguments.design).read_text(encoding="utf-8"))
    except PortError as error:
        raise BadInput(str(error)) from None
    folder = Path(arguments.out)
    kept = [name for name in files if name.rsplit("/", 1)[-1] in BUILDERS_OWN and (folder / name).exists()]
    new = {name: text for name, text in files.items() if name not in kept}
    if not arguments.force:
        _refuse_changed(folder, new)
    _write(folder, {**new, _WRITTEN: _sums(files)})
    if not arguments.json:
        print(f"{len(new)} files written to {folder}")
        for name in kept:
            print(f"left as it is: {folder / name}")
    taken = _taken(arguments.design, design, files) if arguments.to == _MEASURED and not arguments.unmeasured else {}
    if arguments.json:
        import json

        print(json.dumps({"folder": str(folder), "written": list(new), "left": kept, **taken}, indent=1))
    else:
        _tell(taken)
    return 0


def _taken(path: str, design: Design, files: Mapping[str, str]) -> dict[str, Any]:
    """What firmware takes of the chip, as far as this machine can find out; `missing` says what it lacks."""
    from controller_sim.port import avr
    from controller_sim.port.errors import PortError
    from controller_sim.port.stack import deepest_stack

    missing = avr.missing_compiler()
    if missing is not None:
        return {"missing": missing}
    show_progress("building the firmware")
    try:
        firmware = avr.build_firmware(files)
        taken: dict[str, Any] = {"flash_bytes": firmware.flash_bytes, "most_flash_bytes": avr.FLASH_BYTES}
        taken |= {"static_bytes": firmware.static_bytes, "most_ram_bytes": avr.RAM_BYTES}
        taken["most_stack_bytes"] = deepest_stack(firmware.elf).bytes
        show_progress("looking for the longest poll")
        taken |= _bounded(design, firmware.elf, files)
        missing = avr.missing_emulator()
        return taken | ({"missing": missing} if missing is not None else _measured(path, design, files))
    except PortError as error:
        raise BadInput(f"{path}: {error}") from None
    finally:
        show_progress("")


def _bounded(design: Design, elf: Path, files: Mapping[str, str]) -> dict[str, Any]:
    """The longest poll by the machine code; `no_bound` says why there is none, which is no fault of the design."""
    from controller_sim.port.avr import CYCLES_PER_US
    from controller_sim.port.errors import PortError

    try:
        from controller_sim.port.longest import longest_poll

        longest = longest_poll(design, elf, files)
    except ImportError:
        return {"no_bound": "pip install 'controller-sim[conform]'"}
    except PortError as error:
        return {"no_bound": str(error)}
    shares = {name: cycles / CYCLES_PER_US for name, cycles in longest.shares}
    return {"most_poll_us": longest.cycles / CYCLES_PER_US, "most_poll_shares_us": shares}


def _measured(path: str, design: Design, files: Mapping[str, str]) -> dict[str, Any]:
    from controller_sim.cli.test import scripts_of
    from controller_sim.port.avr import CYCLES_PER_US
    from controller_sim.port.budget import measure, random_cases
    from controller_sim.port.conform import Case
    from controller_sim.port.polling import seen_by_polling
    from controller_sim.simulator import History

    cases = []
    for script in scripts_of(Path(path)):
        run = play_script(design, read_script(script, design), "fast")
        cases.append(Case(str(script), seen_by_polling(design, History(run.inputs, run.end_us))))
    worst = measure(design, files, cases + random_cases(design, _FEET_S * 1_000_000, 0), show_progress)
    return {
        "stack_bytes": worst.stack_bytes,
        "idle_poll_us": worst.idle_poll_cycles / CYCLES_PER_US,
        "poll_us": worst.poll_cycles / CYCLES_PER_US,
        "poll_in": worst.poll_in,
        "pin_to_byte_us": worst.pin_to_byte_cycles / CYCLES_PER_US,
        "scripts": len(cases),
        "feet_s": _FEET_S,
    }


def _tell(taken: Mapping[str, Any]) -> None:
    from controller_sim.view.words import plural

    if "flash_bytes" in taken:
        print(f"flash    {taken['flash_bytes']:,} of {taken['most_flash_bytes']:,} bytes")
        stack = f", {taken['stack_bytes']:,} when it was measured" if "stack_bytes" in taken else ""
        print(f"RAM      {taken['static_bytes']:,} of {taken['most_ram_bytes']:,} bytes")
        print(f"stack    {taken['most_stack_bytes']:,} bytes of the rest at most{stack}")
    if "most_poll_us" in taken:
        largest = ", ".join(f"{name} {share:.0f} us" for name, share in list(taken["most_poll_shares_us"].items())[:_SHARES])
        print(
            f"a poll   {taken['most_poll_us']:.0f} us at most by its machine code, the serial line not waited for; most of that: {largest}"
        )
    elif "no_bound" in taken:
        print(f"a poll   not bounded by its machine code: {taken['no_bound']}")
    if "poll_us" in taken:
        print(f"         {taken['poll_us']:.0f} us at most when it was measured ({taken['poll_in']})")
        print(f"         {taken['idle_poll_us']:.0f} us at most if nothing is decided in it")
        print(f"latency  {taken['pin_to_byte_us']:.0f} us at most from a contact to the first byte of what it sends at once")
        print(f"measured in an emulated ATmega328P over {plural(taken['scripts'], 'press script')} and {taken['feet_s']} s of random feet")
    if "missing" in taken:
        print(f"not {'measured' if 'flash_bytes' in taken else 'built'}: {taken['missing']}")


def _refuse_changed(folder: Path, files: Mapping[str, str]) -> None:
    """Raises BadInput if a file that would be written over is neither as it was written nor as it will be."""
    known: dict[str, str] = {}
    if (folder / _WRITTEN).exists():
        lines = (line.split(" ", 1) for line in _read(folder / _WRITTEN).splitlines())
        known = {line[1]: line[0] for line in lines if len(line) == 2}
    changed = []
    for name, text in files.items():
        if (folder / name).exists():
            there = _read(folder / name)
            if there != text and _sum(there) != known.get(name):
                changed.append(str(folder / name))
    if changed:
        raise BadInput(f"changed by hand since they were written: {', '.join(changed)}; move them away, or write over them with --force")


def _read(path: Path) -> str:
    try:
        # Neither line ends nor bytes that are no text may get lost in the comparison.
        return path.read_bytes().decode("utf-8", "backslashreplace")
    except OSError as error:
        raise BadInput(text_of(error, path)) from None


def _sum(text: str) -> str:
    import hashlib

    return hashlib.sha256(text.encode()).hexdigest()


def _sums(files: Mapping[str, str]) -> str:
    return "".join(f"{_sum(text)} {name}\n" for name, text in files.items())


def _write(folder: Path, files: Mapping[str, str]) -> None:
    for name, text in files.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(text_of(error, path.parent)) from None
        write_text(path, text)
