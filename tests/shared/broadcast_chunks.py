"""Chunks of broadcast WAVE files, laid out by the table of their fields in EBU Tech 3285."""

import csv
import struct
from pathlib import Path

FIELDS = {
    row["field"]: (int(row["offset"]), row["size_bytes"])
    for row in csv.DictReader(
        line
        for line in (Path(__file__).parents[1] / "reference/bext_fields.csv").read_text("utf-8").splitlines()
        if not line.startswith("#")
    )
}


def bext(version: int = 2, time_reference: int = 0) -> bytes:
    body = bytearray(602)
    body[:11] = b"a night tug"
    struct.pack_into("<Q", body, FIELDS["TimeReferenceLow"][0], time_reference)
    struct.pack_into("<H", body, FIELDS["Version"][0], version)
    return bytes(body)
