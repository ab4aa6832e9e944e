"""The steps of a changeout as the companion shows them, where a site has not put its own.

The usual steps and cautions of lock-out and of pressure closures: paraphrased after 29 CFR 1910.147 (d), from memory,
and common practice, no source. A site's own procedure and the maker's instructions come before them.
"""

from __future__ import annotations

from monitor.skid import SkidSettings, Step

DEFAULT = (
    Step("Tell the control room. Have the new element, an o-ring, gloves, glasses, locks and tags at hand. Make sure "
         "that the other vessels can carry the flow.", "prepare"),
    Step("Close the inlet valve and then the outlet valve, slowly, and any by-pass or equalising line. Lock and tag "
         "them.", "isolate"),
    Step("Drain and vent to a safe place. Leave vent and drain open.", "vent"),
    Step("Prove zero at the local gauge and at the open vent. Wait and look again: if anything comes back, a valve "
         "passes. Stop then, and tell the control room.", "prove"),
    Step("Stand clear of the lid. Loosen the closure evenly, a little at a time, and take no fastener off while the "
         "lid still holds. Open only then.", "open"),
    Step("Take the old element out; look at its seams and its seat. Look at the strainer basket. Wipe the groove.",
         "fit"),
    Step("Fit the new element: seat its ring all round and clamp it. Fit the o-ring. Close the lid evenly by the "
         "maker's instructions. Close the drain.", "close"),
    Step("With the vent open, crack the inlet valve and fill slowly until water without air comes. Close the vent. "
         "Look for leaks from a distance.", "fill"),
    Step("Open the outlet valve and then the inlet valve, slowly. Take locks and tags off. Tell the control room.",
         "return"),
    Step("Wait for the check of the new element, and write down what was found.", "verify"),
)


def steps_of(skid: SkidSettings) -> tuple[Step, ...]:
    """The site's own, else the usual ones."""
    return skid.procedure or DEFAULT
