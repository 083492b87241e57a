"""Which build a source runs and in which byte order it holds it, told once after it was opened.

``bridge.builds.evidence`` compares bytes; here is what is made of it: what the user declares is
obeyed and, where the bytes speak against it, told of; and where the bytes are not there, the
machine code may tell the order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bridge.builds.evidence import Identity, evidence_spans, identities, unknown_build
from bridge.builds.machine_code import code_order
from bridge.memory.address_map import Span
from bridge.memory.byte_order import ByteOrder
from bridge.memory.fetched import Part
from bridge.memory.image import Image
from bridge.ports.guest_reader import GuestReader
from bridge.ports.source import Opened, Source
from bridge.prepared import PreparedBuild
from bridge.values.status import Status
from schemas.compiler import BuildLayout
from schemas.errors import SourceUnusable

__all__ = ["CODE_SPAN", "MAX_CODE", "Identifier"]

MAX_CODE = 1 << 20
"""Bytes of the first region in which the byte order is looked for."""
CODE_SPAN = 1 << 16


class Identifier:
    """Finds the running build of an open source.

    ``prepared_builds`` are the builds that may be running and ``declared`` the byte order that the
    bridge file names, None for auto; the source's own word for it then counts as declared.
    ``marks`` are the spans that tell the build.  ``recognised`` is whether the build was found by
    its evidence, and not because it is the only one.
    """

    def __init__(
        self,
        source: Source,
        prepared_builds: Mapping[str, PreparedBuild],
        opened: Opened,
        declared: ByteOrder | None,
    ) -> None:
        self.marks = evidence_spans(
            [prepared.layout for prepared in prepared_builds.values()], opened.memory
        )
        self.recognised = False
        self._source = source
        self._plans = prepared_builds
        self._memory = opened.memory
        self._absent_status = opened.absent_status
        # as the source holds them: which order that is, is what is to be found
        self._reader = GuestReader(source, opened, ByteOrder.BIG)
        self._declared = declared or source.declared_order
        self._by_source = declared is None

    def stands(self, layout: BuildLayout, image: Image) -> bool:
        """Whether *image* has the evidence still; what the source does not hold proves nothing."""
        for mark in layout.evidence:
            data = image.read(mark.address, len(mark.data))
            if data is not None and data != mark.data:
                return not self.recognised
        return True

    async def find(self, lacking: Callable[[], None]) -> Identity | str:
        """The running build and the byte order, or a reason why that is not known yet.

        *lacking* is called where some of the marks are not there.  Raises SourceUnusable where the
        bytes can never tell.
        """
        source, layouts = self._source, [prepared.layout for prepared in self._plans.values()]
        found = dict(zip(self.marks, await self._reader.fetch(self.marks), strict=True))
        if not all(isinstance(part, bytes) for part in found.values()):
            lacking()
        orders = list(ByteOrder)
        if self._declared is not None:
            orders = [self._declared]
        matches = identities(layouts, self._memory, found, orders)
        builds = list(dict.fromkeys(match.build for match in matches))
        if len(builds) > 1:
            raise SourceUnusable(
                f"builds {' and '.join(builds)} are both recognised; name one with build in the "
                "bridge file, or give the schema better recognise bytes",
                source=source.name,
            )
        only = next(iter(self._plans.values())) if len(self._plans) == 1 else None
        self.recognised = bool(matches)
        if len(matches) > 1:
            found_in = " and ".join(match.order for match in matches)
            raise SourceUnusable(
                f"the recognise bytes of {builds[0]} are found in byte orders {found_in}; set "
                "byte_order in [source]",
                source=source.name,
            )
        if not matches and self._declared is not None:
            matches = self._contradicted(layouts, found, self._declared)
        if not matches and only is not None:
            matches = await self._assumed(only, found)
        if not matches and self._absent_status is Status.WAITING:
            # what has not come yet is no sign of a wrong game
            awaited = [f"0x{m.address:08X}" for m, p in found.items() if not isinstance(p, bytes)]
            if awaited:
                return f"waiting for the bytes that tell the build, at {' and '.join(awaited)}"
        if not matches:
            order = self._declared or ByteOrder.BIG
            return unknown_build(layouts, self._memory, found, order)
        return matches[0]

    def _contradicted(
        self, layouts: Sequence[BuildLayout], found: Mapping[Span, Part], declared: ByteOrder
    ) -> list[Identity]:
        """The one build that is recognised in an order which is not the declared one: that is told
        of, and the declared one is obeyed."""
        elsewhere = identities(layouts, self._memory, found, list(ByteOrder))
        if len({each.build for each in elsewhere}) != 1:
            return []
        build, orders = elsewhere[0].build, " and ".join(each.order for each in elsewhere)
        self._note_order(f"{build} is recognised in {orders}", declared)
        return [Identity(build, declared)]

    def _note_order(self, against: str, order: ByteOrder) -> None:
        """What speaks against the byte order that is used, and who says that it is this one."""
        if self._by_source:
            self._source.notes.append(
                f"byte order {order} comes from the source, but {against}; {order} is used, set "
                "byte_order in [source] for another one"
            )
            return
        self._source.notes.append(
            f"byte_order is {order}, but {against}; {order} is used as declared"
        )

    async def _assumed(self, prepared: PreparedBuild, found: Mapping[Span, Part]) -> list[Identity]:
        """The only possible build where its evidence is not there: what the user says is obeyed."""
        layout = prepared.layout
        if self._declared is not None:
            by_code = await self._order_by_code(prepared)
            if by_code not in (None, self._declared):
                self._note_order(
                    f"the machine code in guest memory stands in {by_code}", self._declared
                )
            waits = self._absent_status is Status.WAITING and None in found.values()
            if layout.evidence and not waits:  # what has not come yet speaks against nothing
                how = "as declared"
                if self._by_source:
                    how = f"all the same, in {self._declared}, the source's byte order"
                self._source.notes.append(
                    f"the recognise bytes of {layout.name} are not there; it is used {how}"
                )
            return [Identity(layout.name, self._declared)]
        if not layout.evidence:
            by_code = await self._order_by_code(prepared)
            if by_code is not None:
                self._source.notes.append(
                    f"byte_order is {by_code} by the machine code in guest memory"
                )
                return [Identity(layout.name, by_code)]
            raise SourceUnusable(
                f"build {layout.name} has no recognise bytes to tell the byte order by; set "
                "byte_order in [source]",
                source=self._source.name,
            )
        return []

    async def _order_by_code(self, prepared: PreparedBuild) -> ByteOrder | None:
        """What the machine code at the beginning of the first region tells of the byte order."""
        region = self._memory.regions[0]
        size = min(region.size, MAX_CODE)
        spans = [
            Span(region.start + start, min(CODE_SPAN, size - start))
            for start in range(0, size, CODE_SPAN)
        ]
        parts = await self._reader.fetch(spans)
        data = b"".join(part for part in parts if isinstance(part, bytes))
        return code_order(data, big_endian=prepared.layout.order == ">")
