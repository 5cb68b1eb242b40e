"""Method notes with sources, and the glossary."""

from __future__ import annotations

from rehit.reporting.document import Bullets, Section, Sentence, Terms
from rehit.reporting.measures import Facts
from rehit.reporting.words import catalogue


def notes_section(facts: Facts) -> Section:
    """Write how the figures were made and who published the methods."""
    w = facts.words
    section = Section("notes", w("heading.notes"))
    values = {"level": w.share(facts.number("interval_level")),
              "p": w.number(facts.number("chance_limit"), 1),
              "fdr": w.share(facts.number("gained_fdr")),
              "zone": facts.inputs.time_zone, "crs": facts.inputs.crs,
              "observed_from": facts.day(facts.inputs.observed_from),
              "observed_to": facts.day(facts.inputs.observed_to)}
    keys = [k for k in catalogue(w.language) if k.startswith("notes.")]
    section.put(Bullets(tuple(Sentence(w(key, **values)) for key in keys)))
    return section


def glossary_section(facts: Facts) -> Section:
    """Explain the words, one glossary for the whole report."""
    w = facts.words
    section = Section("glossary", w("heading.glossary"))
    keys = [k.removesuffix("_term") for k in catalogue(w.language)
            if k.startswith("glossary.") and k.endswith("_term")]
    entries = sorted(((w(f"{k}_term"), w(f"{k}_words")) for k in keys),
                     key=lambda pair: pair[0].casefold())
    section.put(Terms(tuple(entries)))
    return section
