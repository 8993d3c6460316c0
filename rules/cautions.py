"""What must be said about safety and the law before someone acts on a grade.

General information, not legal advice: each text defers to local rules and to the
licensed trades. A caution is told where it applies to the piece; the last one always.
"""

from __future__ import annotations

from rules.engine import Grading
from rules.findings import Findings, Finish, Form, Magnet, What

# Told from a small chance on: a caution too many costs a line, one too few a finger.
LIKELY_P = 0.1
# As the house sheet's limit of a coating.
COATED_SHARE = 0.15

# 29 CFR 1910.1025 and 1926.62 (lead, 50 µg/m³ over 8 h). That sanding or heating old
# solder releases lead, and that older plumbing solder was often half lead: from memory.
LEAD = (
    "Old solder may hold lead: cut beside the joint, don't sand, grind or heat it, keep the dust "
    "off your food and wash your hands."
)
# Provincial ministry sheet on burning wire (dioxins, furans, heavy metals). Bans on open
# burning sit mostly in state and local rules.
FIRE = (
    "Never burn off insulation, enamel or paint: the smoke is poisonous, burnt wire loses its "
    "grade, and local rules mostly forbid it. Strip with a tool."
)
# Common practice, no source.
CUTS = (
    "Cut and strip with gloves and eye protection, away from your body; cut ends are sharp and "
    "stay hot after sawing. Leave hot work and live pipe or cable to the licensed trades."
)
# 29 CFR 1910.1024 (beryllium): grinding, sanding and polishing are listed.
DUST = (
    "Sand wet or with a dust mask, and never metal that may be beryllium copper (springs, "
    "contacts, non-sparking tools): its dust is dangerous in traces."
)
# Clean Air Act section 608, 40 CFR 82.154(a) and 82.155.
REFRIGERANT = (
    "Tube from a fridge or air conditioner, or wire from its compressor: the refrigerant must be "
    "recovered by a certified technician first; letting it out is unlawful."
)
# Microwave capacitors and magnetron ceramics: secondary pages only. Picture tubes: state
# environment agency guidance (high voltage, implosion, lead).
APPLIANCE = (
    "Wire from appliances: a microwave's capacitor can hold a deadly charge after unplugging, and "
    "picture tubes can implode; leave both to trained people."
)
# Every US state regulates scrap purchases; there is no uniformity (trade compendium, 2021).
SELLING = (
    "Local rules on selling scrap differ (identity, records, holding time) and come before "
    "anything said here; ask the buyer and your authority."
)


def cautions(findings: Findings, grading: Grading) -> tuple[str, ...]:
    """Return the cautions that apply to a piece, the most pressing first."""
    facts, finish = findings.facts, findings.finish
    cleared = {name for lift in grading.lifts for name in lift.clears}
    coated = _may_have(findings, What.COATING) or (
        findings.coating is None
        and finish is not None
        and finish.shares.get(Finish.COATED, 0.0) >= COATED_SHARE
    )
    # What the person says of it wins.
    jacket = findings.facts.insulation
    insulated = _may_have(findings, What.INSULATION) if jacket is None else jacket
    tube_p = findings.form.p.get(Form.TUBE, 0.0)
    applies = {
        LEAD: _may_have(findings, What.SOLDER),
        FIRE: coated or insulated or bool(facts.enamel or facts.motor_wire or facts.paint),
        CUTS: bool(cleared & {"brass", "solder", "insulation"}) or insulated,
        DUST: bool(cleared & {"green_share", "tarnish_level"}),
        REFRIGERANT: bool(facts.motor_wire) or tube_p >= LIKELY_P,
        APPLIANCE: bool(facts.motor_wire) or facts.magnet is Magnet.STICKS,
        SELLING: True,
    }
    return tuple(text for text, told in applies.items() if told)


def _may_have(findings: Findings, what: What) -> bool:
    return findings.p_of(what) >= LIKELY_P
