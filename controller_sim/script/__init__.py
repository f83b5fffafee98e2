"""Press scripts: what the feet do and what should come of it. `press.md` describes the format."""

from controller_sim.script.parser import parse_script
from controller_sim.script.player import Failure, Run, play
from controller_sim.script.printer import print_script, print_step
from controller_sim.script.recorder import record
from controller_sim.script.report import report, report_failure
from controller_sim.script.syntax import Script, ScriptError

__all__ = [
    "Failure",
    "Run",
    "Script",
    "ScriptError",
    "parse_script",
    "play",
    "print_script",
    "print_step",
    "record",
    "report",
    "report_failure",
]
