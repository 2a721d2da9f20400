"""Cautions by the hazard they are about: usual ones of the trade, common practice without a source."""

from __future__ import annotations

HAZARDS = {
    "powder": "Powders (carbomer, silica, pigments): do not breathe the dust. Weigh in extraction or with a fitted particle mask, add low and "
    "slowly, keep away from flames; spilt polymer is slippery when wet: sweep dry first.",
    "base": "Bases: sodium and potassium hydroxide burn skin and eyes, amines irritate them. Goggles and gloves; base into water, never water "
    "onto solid.",
    "impeller": "Impeller: clamp the beaker, start slowly, no loose sleeves or hair; stop it before sampling or scraping down.",
    "heat": "Hot plate, warm oil and wax: burns and fire. Never leave them unattended.",
    "skin": "Skin contact: gloves with neat preservatives, solubilisers and bases. No test on skin without a qualified safety assessor and "
    "consent.",
    "failed batch": "Failed or unpreserved batches: label and discard them in time, do not use them.",
}
CAUTIONS = tuple(HAZARDS.values())
LAST_WORD = "Safety data sheets, local rules and licensed practice have the last word over anything printed here."


def caution(hazard: str) -> str:
    """The caution of a known hazard; any other text is a caution in its own words."""
    return HAZARDS.get(hazard, hazard)
