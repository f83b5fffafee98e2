"""`controller-sim storage`: where kept cells are stored, and what a script does to the chip."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from controller_sim.cli.terminal import BadInput, add_command, load, painter, play_script, read_chip, read_script, text_of

if TYPE_CHECKING:
    import argparse

    from controller_sim.design.form import Design
    from controller_sim.script import Run
    from controller_sim.simulator import Storage
    from controller_sim.verify.power_cuts import Cuts

_EPILOG = """\
An image is the whole content of the chip: raw bytes, or Intel HEX where the file's name ends in .hex. One of an older
version of the design is taken over cell by cell, by name, range and size; what cannot be taken over is refused.

examples:
  controller-sim storage configs/booth.yaml
  controller-sim storage configs/booth.yaml configs/booth_evening.press
  controller-sim storage configs/booth.yaml configs/booth_evening.press --cut
  controller-sim storage configs/booth.yaml configs/booth_evening.press --export evening.hex
  controller-sim storage configs/booth.yaml --import evening.hex

exit codes: 0 all is well, 1 an expectation of the script failed or a power cut did harm, 2 a file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        commands, "storage", "show where a design's kept cells are stored, and how a press script wears out the chip", epilog=_EPILOG
    )
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("script", metavar="SCRIPT", nargs="?", help="a press script (.press)")
    parser.add_argument("--json", action="store_true", help="all of it as JSON")
    parser.add_argument("--import", metavar="FILE", dest="image", help="what the chip holds when power first comes on")
    parser.add_argument("--export", metavar="FILE", help="write what the chip holds at the end")
    parser.add_argument("--cut", action="store_true", help="cut the power at every byte that the script writes and look what comes up")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    from controller_sim.design.storage import keeps

    design = load(arguments.design)
    if arguments.cut and arguments.script is None:
        raise BadInput("--cut needs a script that writes something")
    if not keeps(design) and (arguments.script or arguments.image or arguments.export):
        raise BadInput(f"{arguments.design}: the design keeps nothing without power: no memory cell says 'keep: yes'")
    image = read_chip(arguments.image) if arguments.image is not None else None
    run, storage = _play(arguments, design, image)
    cuts = _cut(design, image, storage) if arguments.cut else None
    if arguments.json:
        import json

        print(json.dumps(_json(arguments, design, run, storage, cuts), indent=1))
    else:
        _show(arguments, design, run, storage, cuts)
    if arguments.export is not None:
        _export(arguments.export, storage)
    return 1 if (run and run.failures) or (cuts and cuts.neither) else 0


def _play(arguments: argparse.Namespace, design: Design, image: bytes | None) -> tuple[Run | None, Storage]:
    """The run of the script, if there is one, and the chip afterwards."""
    from controller_sim.simulator import SimulatorError, Storage

    try:
        storage = Storage(design, image)
        storage.power_on()
    except SimulatorError as error:
        raise BadInput(f"{arguments.image}: {error}") from None
    if arguments.script is None:
        return None, storage
    run = play_script(design, read_script(arguments.script, design), "fast", image)
    return run, run.storage or storage


def _cut(design: Design, image: bytes | None, storage: Storage) -> Cuts:
    from controller_sim.simulator import Storage
    from controller_sim.verify.power_cuts import cut_everywhere

    chip = Storage(design, image)
    chip.power_on()
    return cut_everywhere(design, chip.image, [save.kept for save in storage.saves])


def _kept(design: Design, storage: Storage) -> tuple[int, ...]:
    from controller_sim.simulator import Storage

    return Storage(design, storage.image).power_on()


def _show(arguments: argparse.Namespace, design: Design, run: Run | None, storage: Storage, cuts: Cuts | None) -> None:
    from controller_sim.script import report
    from controller_sim.simulator.wear import wear_of
    from controller_sim.view import storage as view
    from controller_sim.view.words import duration

    paint = painter(sys.stdout)
    for line in view.layout_lines(design, paint):
        print(line)
    for note in storage.notes:
        print(paint(f"  {note}", "warn"))
    if run is not None:
        print()
        print(paint("played", "strong") + paint(f"  {arguments.script}, {duration(run.end_us)}", "quiet"))
        for line in view.wear_lines(wear_of(design, storage, max(run.end_us, 1))):
            print(line)
    if cuts is not None:
        told = f"  power cuts {cuts.total}: all old after {cuts.old}, all new after {cuts.new}, neither after {len(cuts.neither)}"
        told += f", between parts after {cuts.in_parts}" if cuts.in_parts else ""
        print(paint(told, "bad" if cuts.neither else "good"))
        for line in cuts.neither[:10]:
            print(paint(f"    {line}", "bad"))
    if run is not None or arguments.image is not None:
        print()
        print(paint("kept at the end, where changed", "strong"))
        for line in view.change_lines(design, _kept(design, storage)):
            print(line)
    if run is not None and run.failures:
        print(paint(report(run), "bad"))


def _json(arguments: argparse.Namespace, design: Design, run: Run | None, storage: Storage, cuts: Cuts | None) -> dict[str, Any]:
    from dataclasses import asdict

    from controller_sim.design.storage import keeps
    from controller_sim.simulator.wear import wear_of
    from controller_sim.view import storage as view
    from controller_sim.view.words import plain

    facts: dict[str, Any] = {"design": arguments.design, "layout": view.layout_json(design), "notes": storage.notes}
    if keeps(design):
        facts["kept"] = view.kept_json(design, _kept(design, storage))
    if run is not None:
        facts["script"] = arguments.script
        facts["wear"] = view.wear_json(wear_of(design, storage, max(run.end_us, 1)))
        facts["failures"] = [plain(asdict(failure)) for failure in run.failures]
    if cuts is not None:
        facts["cuts"] = plain(asdict(cuts))
    return facts


def _export(path: str, storage: Storage) -> None:
    from controller_sim.simulator.image_files import write_image

    try:
        write_image(path, storage.image)
    except OSError as error:
        raise BadInput(text_of(error, path)) from None
