"""The pytest plugin: press scripts (`.press`) as tests, and fixtures for tests of a design.

A script is played to the design beside it whose name its own name begins with (`booth.yaml`: `booth_evening.press`), or to that of
`--press-design` or of `press_design` in the configuration. Where there is neither, a script is only a test if it is named on the
command line. Nothing but pytest is imported before there is a script to play or a fixture to fill.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from controller_sim.design import Design
    from controller_sim.script import Run
    from controller_sim.simulator import Simulator

_DESIGNS: pytest.StashKey[dict[Path, Any]] = pytest.StashKey()
_SIMULATED: pytest.StashKey[Simulator] = pytest.StashKey()
"""Of a test: the controller that it was given."""


class Unusable(Exception):
    """A file that cannot be used; `str()` is the whole message, with its place."""


class NotMet(Exception):
    """A script that was played and not met; `str()` is the whole report."""


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("press", "press scripts")
    group.addoption("--press-design", metavar="DESIGN", help="the design that press scripts are played to and fixtures are about")
    group.addoption(
        "--press-engine", choices=("fast", "reference"), default="fast", help="which engine plays press scripts (default: fast)"
    )
    parser.addini("press_design", "the design that press scripts without one beside them are played to", default="")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "design(path): the design file that the fixtures `design` and `simulator` are about")
    config.stash[_DESIGNS] = {}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A test that fails with a simulator tells what it did to it, as a press script."""
    report = yield
    if report.failed and _SIMULATED in item.stash:
        from controller_sim.testing.telling import HEADING, done_to

        report.sections.append((HEADING.removesuffix(":"), done_to(item.stash[_SIMULATED])))
    return report


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if file_path.suffix != ".press":
        return None
    if parent.session.isinitpath(file_path) or _design_path(parent.config, file_path) is not None:
        return PressFile.from_parent(parent, path=file_path)
    return None


def _design_path(config: pytest.Config, script: Path) -> Path | None:
    """Which design a script is played to: the one asked for, the one beside it, or the usual one."""
    if asked := config.getoption("press_design"):
        return Path(config.invocation_params.dir, asked)
    from controller_sim.script.files import design_beside

    return design_beside(script) or _usual_design(config)


def _usual_design(config: pytest.Config) -> Path | None:
    usual = config.getini("press_design")
    return Path(config.rootpath, usual) if usual else None


def _load(config: pytest.Config, path: Path) -> Design:
    """A design, loaded once in a session. Raises Unusable."""
    from controller_sim.design import DesignError, load_design

    loaded = config.stash[_DESIGNS]
    if path not in loaded:
        try:
            loaded[path] = load_design(_shown(config, path))
        except DesignError as error:
            loaded[path] = error
    if isinstance(loaded[path], DesignError):
        raise Unusable(str(loaded[path]))
    design: Design = loaded[path]
    return design


def _shown(config: pytest.Config, path: Path) -> str:
    """A path as messages name it: from where pytest was called, so that it leads there."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)


class PressFile(pytest.File):
    """A press script, which is one test."""

    def collect(self) -> Iterable[pytest.Item]:
        design = _design_path(self.config, self.path)
        engine = self.config.getoption("press_engine")
        name = f"played to {design.name}" if design else "played"
        yield PressItem.from_parent(self, name=f"{name} on {engine}" if engine != "fast" else name, design=design)


class PressItem(pytest.Item):
    """A script that is played to a design; it fails as `controller-sim test` says it does."""

    def __init__(self, *, design: Path | None, **more: Any) -> None:
        super().__init__(**more)
        self.design = design

    def runtest(self) -> None:
        from controller_sim.script import report_failure
        from controller_sim.verify.promises import promises_of

        run = self._play()
        told = [report_failure(run, failure) for failure in run.failures] + [str(broken) for broken in promises_of(run).broken]
        if told:
            raise NotMet("\n\n".join(told))

    def _play(self) -> Run:
        from controller_sim.script import ScriptError, play
        from controller_sim.script.files import read_script

        if self.design is None:
            raise Unusable(f"{self._script}: no design beside it whose name it begins with; say which with --press-design")
        design = _load(self.config, self.design)
        try:
            return play(design, read_script(self._script, design), self.config.getoption("press_engine"))
        except ScriptError as error:
            raise Unusable(str(error)) from None

    @property
    def _script(self) -> str:
        return _shown(self.config, self.path)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        if isinstance(excinfo.value, NotMet | Unusable):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        return self.path, None, f"{self._script} {self.name}"


@pytest.fixture
def design(request: pytest.FixtureRequest) -> Design:
    """The design of the marker `design("booth.yaml")` (beside the test), of `--press-design`, or of `press_design`."""
    marker = request.node.get_closest_marker("design")
    asked = request.config.getoption("press_design")
    if marker is not None:
        path: Path | None = Path(request.path.parent, *marker.args)
    else:
        path = Path(request.config.invocation_params.dir, asked) if asked else _usual_design(request.config)
    if path is None:
        pytest.fail('which design? Mark the test with @pytest.mark.design("booth.yaml"), or set press_design', pytrace=False)
    try:
        return _load(request.config, path)
    except Unusable as error:
        pytest.fail(str(error), pytrace=False)


@pytest.fixture
def simulator(request: pytest.FixtureRequest, design: Design) -> Iterator[Simulator]:
    """A controller built to the design, 100 ms after power-on, when every contact has settled; broken promises fail the test.

    The test may do with it what it likes; when it has ended, all that was done is done again under the eyes of the design's promises.
    """
    from controller_sim.script.syntax import READY_US
    from controller_sim.simulator import Simulator
    from controller_sim.verify.promises import kept_in

    simulated = Simulator(design, request.config.getoption("press_engine"))
    simulated.wait(READY_US)
    request.node.stash[_SIMULATED] = simulated
    yield simulated
    broken = kept_in(design, simulated.engine_name, simulated.inputs, simulated.now_us).broken
    if broken:
        pytest.fail("\n".join(map(str, broken)), pytrace=False)
