"""How every bench tells what it measured, or why it could not."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import TypeVar

Result = TypeVar("Result")


class BenchError(Exception):
    """A bench that cannot be run or whose result means nothing; the text is for whoever called it."""


def tell(name: str, measure: Callable[[], Result], table: Callable[[Result], str], as_json: bool) -> Result | None:
    """Measure and print the result, as a table or as JSON; None when it could not be measured, which is said on stderr."""
    try:
        result = measure()
    except BenchError as error:
        print(f"tools/bench {name}: {error}", file=sys.stderr)
        return None
    print(json.dumps(result, indent=2) if as_json else table(result))
    return result
