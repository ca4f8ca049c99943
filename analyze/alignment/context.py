"""What every decision looks at: the sound check, responses at present settings, cells, arrivals and wiring."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analyze.alignment.arrivals import ArrivalTable
from analyze.alignment.cells import Cells, ThirdOctaves, find_cells, heard_share, overlap_hz, third_octaves
from analyze.alignment.score import Change, counted, possible_energy, shrunk, trusted, with_changes
from analyze.alignment.search import Landscape
from analyze.description import Output, SoundCheck
from analyze.responses.feed_relations import EQUAL, Sent, as_sent
from analyze.responses.transfer import Responses
from analyze.responses.wiring import Signs


@dataclass(frozen=True)
class Context:
    """Inputs of the decisions.

    responses : at present settings; h : its low lines shrunk by their error, (output, position, line)
    replicates : (replicate, output, position, line) likewise
    thirds : energies per third octave; audience, stage : cells of the two zones
    arrivals : at present settings; signs : wiring
    blocked : outputs whose captures cannot be trusted, with the reason
    contradicted : outputs of which two captures disagree
    sent : per output (sign, delay_ms, gain_db) of what it is sent of a programme, where that is not as the reference's;
        responses, arrivals and everything made of them are re the programme
    """

    sound_check: SoundCheck
    responses: Responses
    h: NDArray[np.complex128]
    replicates: NDArray[np.complex64]
    thirds: ThirdOctaves
    audience: Cells
    stage: Cells
    arrivals: ArrivalTable
    signs: Signs
    blocked: Mapping[str, str]
    contradicted: frozenset[str] = frozenset()
    sent: Mapping[str, Sent] = field(default_factory=dict)

    def members(self, group: Sequence[str]) -> list[Output]:
        """The group's outputs as described."""
        return [self.sound_check.outputs[name] for name in group]

    def heard(self, group: Sequence[str]) -> list[int]:
        """Indices of the group's outputs on the output axis, as far as they were measured anywhere."""
        names = self.responses.outputs
        return [
            names.index(n)
            for n in group
            if n in names and any(self.responses.has(n, p) for p in self.responses.positions)
        ]

    def is_measured_together(self, zone: str) -> bool:
        """Whether at least two outputs were measured at one position of the zone."""
        names, positions = self.responses.outputs, self.sound_check.positions
        here = [p for p in self.responses.positions if positions[p].zone == zone]
        return any(sum(self.responses.has(n, p) for n in names) >= 2 for p in here)

    def audience_weights(self) -> list[float]:
        """Weight of every position in the audience, 0 on stage."""
        described = [self.sound_check.positions[p] for p in self.responses.positions]
        return [p.weight if p.zone == "audience" else 0.0 for p in described]

    def overlap_hz(self, output: str, group: Sequence[str]) -> tuple[float, float]:
        """Overlap of an output with the outputs outside its group over the audience; NaN where there is none."""
        names = self.responses.outputs
        if output not in names:
            return float("nan"), float("nan")
        others = [i for i, name in enumerate(names) if name not in group]
        return overlap_hz(self.thirds, names.index(output), others, self.audience_weights())

    def heard_share(self, group: Sequence[str]) -> float:
        """Of the audience's cells in which the group may meet others, the share that noise does not hide."""
        return heard_share(self.responses, self.audience_weights(), self.heard(group))

    def measured_share(self, group: Sequence[str]) -> float:
        """Of the audience by weight, the seats with a response of the group and one of an output outside it."""
        weights = self.audience_weights()
        names, total = self.responses.outputs, sum(weights)
        both = [
            any(self.responses.has(n, p) for n in names if n in group)
            and any(self.responses.has(n, p) for n in names if n not in group)
            for p in self.responses.positions
        ]
        return sum(w for w, is_measured in zip(weights, both, strict=True) if is_measured) / total if total else 1.0

    def changed(self, changes: Mapping[str, Change]) -> NDArray[np.complex128]:
        """`h` with changes applied."""
        return with_changes(self.h, self.responses.frequency_hz, self.responses.outputs, changes)

    def landscape(
        self, groups: Sequence[Sequence[str]], fixed: Mapping[str, Change], cells: Cells, replicate: int | None = None
    ) -> Landscape:
        """Score over the changes of `groups`, the other outputs with the changes `fixed`; of one replicate if given."""
        source = self.h if replicate is None else self.replicates[replicate].astype(np.complex128)
        h = with_changes(source, self.responses.frequency_hz, self.responses.outputs, fixed)
        moving = [self.heard(g) for g in groups]
        inside = [i for part in moving for i in part]
        rest = [i for i in range(len(h)) if i not in inside]
        parts = np.stack([h[part].sum(axis=0) for part in moving]) if moving else np.empty((0, *h.shape[1:]))
        return Landscape(h[rest].sum(axis=0), parts, possible_energy(h, cells), cells, self.responses.frequency_hz)


def context_of(
    sound_check: SoundCheck,
    responses: Responses,
    arrivals: ArrivalTable,
    signs: Signs,
    blocked: Mapping[str, str],
    contradicted: frozenset[str] = frozenset(),
    sent: Mapping[str, Sent] | None = None,
) -> Context:
    """The context of a sound check whose responses and arrivals stand at present settings, each re its own feed."""
    sent = sent or {}
    responses = as_sent(responses, sent)
    arrivals = {key: (ms + sent.get(key[0], EQUAL)[1], std) for key, (ms, std) in arrivals.items()}
    described = [sound_check.positions[p] for p in responses.positions]
    audience = [p.weight if p.zone == "audience" else 0.0 for p in described]
    stage = [p.weight if p.zone == "stage" else 0.0 for p in described]
    return Context(
        sound_check=sound_check,
        responses=responses,
        h=trusted(responses),
        replicates=_trusted_replicates(responses),
        thirds=third_octaves(responses),
        audience=find_cells(responses, audience),
        stage=find_cells(responses, stage),
        arrivals=arrivals,
        signs=signs,
        blocked=blocked,
        contradicted=contradicted,
        sent=sent,
    )


def _trusted_replicates(responses: Responses) -> NDArray[np.complex64]:
    """The replicates shrunk by their error where they count, one by one: in double precision all would be a lot."""
    counts = counted(responses)
    variance = responses.variance[..., : responses.replicates.shape[-1]]
    out = np.empty(responses.replicates.shape, dtype=np.complex64)
    for shrunk_one, replicate in zip(out, responses.replicates, strict=True):
        shrunk_one[:] = shrunk(replicate, variance) * counts
    return out
