"""What packages offer, imported when it is first asked for, so that importing a package loads nothing."""

from collections.abc import Callable, Mapping
from importlib import import_module


def asked_for(package: str, homes: Mapping[str, str]) -> Callable[[str], object]:
    """The `__getattr__` of a package; `homes` says in which of its modules each name is at home.

    It raises AttributeError for any other name.
    """

    def __getattr__(name: str) -> object:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{homes[name]}"), name)

    return __getattr__
