"""A sequence of results that are also found by their name: ``review.runs["r03"]``."""

from __future__ import annotations

from typing import Any, Final, SupportsIndex, TypeVar, overload

from analyzer.core.errors import choices, one_line

_T = TypeVar("_T")
_LONGEST: Final = 160


class UnknownNameError(KeyError):
    """There is no item of that name; says which there are."""

    def __str__(self) -> str:
        # A KeyError shows its message in quotes, as if it were the key.
        return str(self.args[0])


class ByName(tuple[_T, ...]):
    """A tuple whose items are found by number or, where it is text, by their ``name`` or ``run``.

    It is equal to a plain tuple of the same items. Of two items of one name the first is found.
    """

    __slots__ = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the items, in order."""
        return tuple(str(getattr(item, "name", None) or getattr(item, "run", "")) for item in self)

    @overload
    def __getitem__(self, key: SupportsIndex) -> _T: ...
    @overload
    def __getitem__(self, key: slice) -> tuple[_T, ...]: ...
    @overload
    def __getitem__(self, key: str) -> _T: ...
    def __getitem__(self, key: Any) -> Any:
        """Return the item at a place or of a name, or the items of a slice; raises `UnknownNameError`."""
        if not isinstance(key, str):
            return super().__getitem__(key)
        names = self.names
        if key not in names:
            known = choices(key, names) if names else "there are none"
            raise UnknownNameError(f'there is no "{key}"; {known}')
        return super().__getitem__(names.index(key))

    def __contains__(self, item: object) -> bool:
        return item in self.names if isinstance(item, str) else super().__contains__(item)

    def __repr__(self) -> str:
        return one_line(f"<{len(self)}: {', '.join(self.names)}>", _LONGEST)
