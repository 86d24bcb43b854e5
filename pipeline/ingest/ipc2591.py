"""Reads recorded messages of IPC-2591 (Connected Factory Exchange), an open standard: JSON, one envelope a message.

In:    a file with one envelope, a JSON array of them, or one a line (NDJSON).
Out:   rows of `pick`, `measurement`, `counter`, `check_total`, `fault`, `reel_event`, `activity`, `service`, and one
       row of `message` for every envelope that is not refused.
After: an envelope is loaded with all its rows or refused with its reason; read = rows of `message` + refused. A file
       that is cut off or damaged between envelopes is refused as a whole.

Message names and fields that are not known are passed over and counted. Source: IPC-2591, versions 1.0 to 2.1.
"""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.ipc2591_envelope import envelopes
from pipeline.ingest.ipc2591_messages import Context, read
from pipeline.ingest.ipc2591_rows import Batches, Envelope
from pipeline.ingest.ipc2591_structures import Unusable
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant

_OPENS = re.compile(r"^[ \t]*[\[{]", re.MULTILINE)
"""A line that begins like JSON."""


class Ipc2591:
    """The dialect of IPC-2591."""

    name = "ipc-2591"

    def recognises(self, source: SourceFile) -> bool:
        """True if the text looks like JSON and shows the two fields that every envelope has."""
        sample = source.sample
        return '"MessageName"' in sample and '"MessageBody"' in sample and _OPENS.search(sample) is not None

    def encoding(self, path: Path) -> str | None:  # noqa: ARG002
        """Nothing is declared: JSON that is exchanged is UTF-8 (RFC 8259, section 8.1), or its mark tells."""
        return None

    def parts(self, path: Path) -> tuple[str, ...]:  # noqa: ARG002
        """None: messages are read as a whole."""
        return ()

    def describe(self, source: SourceFile) -> str | None:  # noqa: ARG002
        """Nothing besides the file decides how it is read."""
        return None

    def stage(self, source: SourceFile, staging: Staging, plant: Plant) -> None:
        """Read all envelopes into `staging`; FileRefused when the file is cut off or damaged between them."""
        context = Context(tuple((re.compile(s.pattern), s) for s in plant.maintenance))
        batches = Batches(staging)
        for number, raw, content in envelopes(source.text):
            staging.records_read += 1
            try:
                if isinstance(content, Unusable):
                    raise content
                envelope = Envelope(number, content)
                identity = envelope.identity
                rows = read(envelope, context)
            except Unusable as wrong:
                staging.refuse(number, raw, wrong.reason)
                continue
            staging.records_ignored += not rows
            rows["message"] = [(number, identity)]
            batches.take(rows)
        batches.close()
