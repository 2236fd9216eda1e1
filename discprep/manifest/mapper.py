"""From a checked table of TOML to a frozen record: the same keys, the record's names for them, nothing mutable."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel

Record = TypeVar("Record")

NAMES: Mapping[str, str] = {
    # The record says the unit.
    "size": "size_bytes", "memory": "memory_bytes", "free": "free_bytes", "keep_free": "keep_free_bytes",
    "block": "block_bytes", "member": "member_bytes", "total": "total_bytes",
    "rate": "rate_bit_s", "mtu": "mtu_bytes", "window": "window_bytes", "link_budget": "link_budget_s",
    "slice": "slice_s",
    # Words that Python or pydantic has for itself, and those that say more in the record.
    "for_": "for_profiles", "copy_": "copy", "where": "at",
    "system": "attribute_system", "command": "set_attributes", "join": "attribute_join",
    "plain": "plain_attributes",
}  # fmt: skip
"""A key of a table, and what the record calls it where that is another name."""

SECONDS: Mapping[str, float] = {"_ms": 1000, "_us": 1_000_000}
"""The endings of keys whose numbers a record has in seconds, with how many make one."""


def record(cls: type[Record], *tables: Mapping[str, Any], **made: Any) -> Record:
    """One record of the values of one or more tables and of what is `made` besides.

    Raises:
        TypeError: a key that the record has no field for, or two values for one: a fault of the schema
    """
    return cls(**{key: value for table in tables for key, value in table.items()}, **made)


def values(table: BaseModel, without: Collection[str] = (), prefix: str = "") -> dict[str, Any]:
    """A table's values by the names of the record, those of the keys `without` left to the caller."""
    # Not model_dump, which would build a serializer at every start.
    return dict(_renamed(key, value, prefix) for key, value in table if key not in without)


def _renamed(key: str, value: Any, prefix: str) -> tuple[str, Any]:
    per_second = SECONDS.get(key[-3:])
    if per_second:
        return f"{prefix}{key[:-3]}_s", None if value is None else value / per_second
    return prefix + NAMES.get(key, key), frozen(value)


def frozen(value: Any) -> Any:
    """A list as a tuple, a table of names as pairs."""
    if isinstance(value, list):
        return tuple(value)
    return tuple(value.items()) if isinstance(value, dict) else value
