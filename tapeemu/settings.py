"""Settings: immutable, checked when made, and declared once.

The preset file, the command line, the schema, the documentation and ``help()`` are all read from the declarations.
"""

import inspect
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Self, dataclass_transform, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from tapeemu.errors import ParameterError
from tapeemu.settings_text import explain, find_sentences, with_numbers, with_parameters

if TYPE_CHECKING:
    from pydantic._internal._model_construction import ModelMetaclass
else:
    ModelMetaclass = type(BaseModel)

__all__ = ["Settings", "required_setting", "setting"]

_NOT_SHOWN = {"amounts", "kernel_file", "kernel_settings", "kernels", "model_config", "moves", "stream_type"}
_SHOWN_SPECIAL = ("__call__", "__getitem__", "__iter__", "__len__", "__doc__", "__module__")


def setting(
    default: Any,
    description: str,
    *,
    unit: str = "",
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
    lt: float | None = None,
) -> Any:
    """Declare one setting: its default, its range and its unit in one place.

    The preset file, the command line, the schema and the documentation are all read from this.

    Parameters
    ----------
    default : Any
        Value used when none is given.
    description : str
        What the setting does, in one sentence.
    unit : str
        Unit as printed, e.g. ``"%"``; empty for a pure number.
    ge, gt, le, lt : float, optional
        Inclusive and exclusive limits.
    """
    return Field(
        default,
        description=description,
        ge=ge,
        gt=gt,
        le=le,
        lt=lt,
        json_schema_extra={"unit": unit} if unit else None,
    )


def required_setting(
    description: str,
    *,
    unit: str = "",
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
    lt: float | None = None,
) -> Any:
    """Declare a setting that must be given; the parameters are those of :func:`setting`.

    A function of its own, because type checkers take what :func:`setting` declares for optional.
    """
    return setting(..., description, unit=unit, ge=ge, gt=gt, le=le, lt=lt)


class _SettingsClass(ModelMetaclass):
    """The class of classes of settings: tells ``help()`` what is ours, and not how settings are checked."""

    def __dir__(cls) -> list[str]:  # noqa: N805
        ours = {name for base in cls.__mro__ if not base.__module__.startswith("pydantic") for name in vars(base)}
        return sorted(name for name in ours - _NOT_SHOWN if not name.startswith("_") or name in _SHOWN_SPECIAL)


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(required_setting,))
class Settings(BaseModel, metaclass=_SettingsClass):
    """Immutable, comparable, printable, picklable settings; the repr is the constructor call.

    Numbers may be given as a text with their unit, ``"1800 ms"`` for a setting in seconds, where the unit is the
    setting's own or converts into it exactly.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)

    amounts: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Settings that switch something off at zero, and the settings that then have nothing to shape."""

    if not TYPE_CHECKING:  # keeps the constructor's signature for type checkers

        def __init__(self, **values: Any) -> None:
            try:
                super().__init__(**values)
            except ValidationError as error:
                raise ParameterError(explain(error, type(self))) from None

    @classmethod
    def __pydantic_init_subclass__(cls, **_: Any) -> None:
        cls.__doc__ = with_parameters(cls.__dict__.get("__doc__") or "", cls)
        # Ranges stand in the docstring; a signature that repeats them cannot be read.
        signature = inspect.signature(cls)
        cls.__signature__ = signature.replace(
            parameters=[
                each.replace(annotation=get_args(each.annotation)[0])
                if get_origin(each.annotation) is Annotated
                else each
                for each in signature.parameters.values()
            ]
        )

    def __dir__(self) -> list[str]:
        return sorted({*dir(type(self)), *type(self).model_fields})

    def __repr__(self) -> str:
        changed = (
            f"{name}={value!r}"
            for name, field in type(self).model_fields.items()
            if (value := getattr(self, name)) != field.get_default(call_default_factory=True)
        )
        return f"{type(self).__name__}({', '.join(changed)})"

    __str__ = __repr__

    @model_validator(mode="before")
    @classmethod
    def _read_units(cls, values: Any) -> Any:
        return with_numbers(values, cls) if isinstance(values, Mapping) else values

    @classmethod
    def find_problems(cls, values: Mapping[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
        """Everything that is wrong with values for these settings, each with its place among them.

        A sentence begins with the last name of its place.
        """
        try:
            cls.__pydantic_validator__.validate_python(dict(values), self_instance=cls.__new__(cls))
        except ValidationError as error:
            return find_sentences(error, cls)
        return []

    def given(self, name: str) -> bool:
        """Whether a setting was given, be it at its default, and not left out.

        This decides what is refused together, and nothing else: settings that are equal sound equal.
        """
        return name in self.model_fields_set and getattr(self, name) is not None

    def idle(self) -> dict[str, str]:
        """Settings that were given but change no sample as the others stand, each with the reason."""
        return {
            name: f"{amount} is 0"
            for amount, shaping in self.amounts.items()
            if not getattr(self, amount)
            for name in shaping
            if self.given(name)
        }

    def replace(self, **changes: Any) -> Self:
        """Return settings like these with some values changed, checked again.

        A value of None leaves a setting out: it takes its default again.
        """
        values = {name: getattr(self, name) for name in self.model_fields_set} | changes
        known = type(self).model_fields
        return type(self)(
            **{name: value for name, value in values.items() if value is not None or name not in known}
        )

    def to_dict(self) -> dict[str, Any]:
        """Settings that differ from their defaults, as plain values fit for TOML or JSON."""
        return self.model_dump(mode="json", exclude_defaults=True, exclude_none=True)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Settings from what :meth:`to_dict` returned, or from a table of a preset file."""
        return cls(**values)
