"""`dataclass` as the standard library has it, made in a sixth of the time.

A check starts by making some 150 classes. The standard decorator compiles six methods or more for each of a frozen one,
which takes half a millisecond on Python 3.11 and 80 ms together; here only `__init__` is compiled, for classes of which
there is more than a few objects, and the others are closures. It fills slots through their descriptors, in a third of
the time: a check makes tens of thousands of objects.
Fields are the standard ones, so that `dataclasses.replace`, `fields` and `asdict` work, and type checkers see the
standard decorator.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from operator import attrgetter, ge, gt, le, lt
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(cls=None, /, *, frozen=False, order=False, slots=False):
        """The decorator, with or without arguments."""

        def made(made_of):
            return _completed(made_of, frozen, order, slots)

        return made if cls is None else made(cls)


__all__ = ["dataclass"]

_set = object.__setattr__
Key = Callable[[Any], tuple[Any, ...]]
_GIVEN_BY_FACTORY = object()
_FEW = 24
"""Objects of a class after which its `__init__` is compiled."""


def _completed(of: type[Any], frozen: bool, order: bool, slots: bool) -> type[Any]:
    """The class with its fields known and its methods set, except those that it has itself."""
    if of.__doc__ is None:
        of.__doc__ = of.__name__  # else the standard decorator writes a signature there, which costs a millisecond
    cls = dataclasses.dataclass(init=False, repr=False, eq=False, slots=slots)(of)
    fields = tuple(cls.__dataclass_fields__.values())
    fillers = {field.name: cls.__dict__[field.name].__set__ for field in fields} if slots else {}
    methods: dict[str, Any] = {"__init__": _first_init(cls, fields, fillers), "__repr__": _repr(fields)}
    methods["__signature__"] = _SIGNATURE
    key = _compared(tuple(field.name for field in fields if field.compare))
    methods["__eq__"] = _equality(key)
    if order:
        methods |= _order(key)
    if frozen:
        methods["__setattr__"], methods["__delattr__"] = _refused_set, _refused_delete
        methods["__hash__"] = _hash(key, kept=not slots)
        methods["__getstate__"] = _get_state if slots else _without_hash
        if slots:
            methods["__setstate__"] = _set_state
    else:
        methods["__hash__"] = None
    own = cls.__dict__
    for name, method in methods.items():
        if name not in own or (name == "__hash__" and own[name] is None):
            setattr(cls, name, method)
    return cls


def _first_init(
    cls: type[Any], fields: tuple[dataclasses.Field[Any], ...], slots: Mapping[str, Callable[..., None]]
) -> Callable[..., None]:
    """`__init__` for the first objects of a class, many of which have no others: compiling it takes as long as they do.

    Whatever is not plain goes to the compiled one, which also says what is wrong.
    """
    names = tuple(field.name for field in fields if field.init)
    plain = all(field.init for field in fields) and not hasattr(cls, "__post_init__")
    left = _FEW if plain else 0

    def __init__(self: Any, *args: Any, **named: Any) -> None:
        nonlocal left
        left -= 1
        if left >= 0 and len(args) <= len(names):
            given = dict(zip(names, args, strict=False))
            if given.keys().isdisjoint(named):
                given |= named
                if _filled(self, fields, given):
                    return
        if cls.__dict__["__init__"] is __init__:
            cls.__init__ = _init(cls, fields, slots)
        cls.__init__(self, *args, **named)

    return __init__


def _filled(self: Any, fields: tuple[dataclasses.Field[Any], ...], given: dict[str, Any]) -> bool:
    """Whether the fields could be set to what is given or to their defaults."""
    missing = dataclasses.MISSING
    values = []
    for field in fields:
        value = given.pop(field.name, missing)
        if value is missing:
            factory: Any = field.default_factory
            if factory is not missing:
                value = factory()
            elif field.default is missing:
                return False
            else:
                value = field.default
        values.append((field.name, value))
    if given:
        return False
    for name, value in values:
        _set(self, name, value)
    return True


class _Signature:
    """The signature of a class, as the compiled `__init__` has it, for whoever asks."""

    def __get__(self, _: object, cls: type[Any]) -> Any:
        import inspect

        fields = tuple(cls.__dataclass_fields__.values())
        whole = inspect.signature(_init(cls, fields, {}))
        return whole.replace(parameters=list(whole.parameters.values())[1:])


_SIGNATURE = _Signature()


def _init(
    cls: type[Any], fields: tuple[dataclasses.Field[Any], ...], slots: Mapping[str, Callable[..., None]]
) -> Callable[..., None]:
    """`__init__`, which sets every field past the refusal of a frozen class, then calls `__post_init__`.

    `slots` set a field of a class with slots.
    """
    names: dict[str, Any] = {"_set": _set, "_given_by_factory": _GIVEN_BY_FACTORY}
    names |= {f"_fill_{name}": fill for name, fill in slots.items()}
    asked, body, annotations = ["self"], [], {}
    for field in fields:
        name, value = field.name, field.name
        default = ""
        if field.default_factory is not dataclasses.MISSING:
            names[f"_make_{name}"] = field.default_factory
            default = "=_given_by_factory"
            value = f"_make_{name}() if {name} is _given_by_factory else {name}" if field.init else f"_make_{name}()"
        elif field.default is not dataclasses.MISSING:
            names[f"_default_{name}"] = field.default
            default = f"=_default_{name}"
            value = name if field.init else f"_default_{name}"
        if field.init:
            asked.append(name + default)
            annotations[name] = field.type
        elif not default:
            continue
        body.append(f" _fill_{name}(self, {value})" if slots else f" _set(self, {name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        body.append(" self.__post_init__()")
    exec(f"def __init__({', '.join(asked)}):\n" + "\n".join(body or [" pass"]), names)
    init: Callable[..., None] = names["__init__"]
    init.__qualname__ = f"{cls.__qualname__}.__init__"
    init.__annotations__ = {**annotations, "return": None}
    return init


def _repr(fields: tuple[dataclasses.Field[Any], ...]) -> Callable[[Any], str]:
    names = tuple(field.name for field in fields if field.repr)

    def __repr__(self: Any) -> str:
        return f"{type(self).__qualname__}({', '.join(f'{name}={getattr(self, name)!r}' for name in names)})"

    return __repr__


def _compared(names: tuple[str, ...]) -> Key:
    """The fields that are compared, as a tuple."""
    if not names:
        return lambda self: ()
    get = attrgetter(*names)
    return get if len(names) > 1 else lambda self: (get(self),)


def _equality(key: Key) -> Callable[[Any, object], bool]:
    def __eq__(self: Any, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return key(self) == key(other)

    return __eq__


def _hash(key: Key, kept: bool) -> Callable[[Any], int]:
    def __hash__(self: Any) -> int:
        return hash(key(self))

    def __kept__(self: Any) -> int:
        # Channels and formulas are keys of every block: what is in them is hashed once.
        try:
            found: int = self._hashed
        except AttributeError:
            found = hash(key(self))
            _set(self, "_hashed", found)
        return found

    return __kept__ if kept else __hash__


def _order(key: Key) -> dict[str, Callable[[Any, object], Any]]:
    def with_this(compare: Callable[[Any, Any], Any]) -> Callable[[Any, object], Any]:
        def method(self: Any, other: object) -> Any:
            if other.__class__ is not self.__class__:
                return NotImplemented
            return compare(key(self), key(other))

        return method

    return {f"__{compare.__name__}__": with_this(compare) for compare in (lt, le, gt, ge)}


def _without_hash(self: Any) -> dict[str, Any]:
    """For pickling and copying: texts have another hash in every process."""
    return {name: value for name, value in self.__dict__.items() if name != "_hashed"}


def _get_state(self: Any) -> list[Any]:
    """For pickling and copying: what is frozen and has slots refuses the usual way."""
    return [getattr(self, field.name) for field in dataclasses.fields(self)]


def _set_state(self: Any, state: list[Any]) -> None:
    for field, value in zip(dataclasses.fields(self), state, strict=True):
        _set(self, field.name, value)


def _refused_set(self: Any, name: str, value: object) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refused_delete(self: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")
