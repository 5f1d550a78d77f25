"""Every text of the pages for driver, customer and tester, in German."""

from __future__ import annotations

from enum import StrEnum

from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.after.trip import State

GOES_ON, PAGE = "WEITER AUF DER RÜCKSEITE", "{name}, Seite {page} von {pages}"
MADE = "needlecalc {version}, {when:%d.%m.%Y}, Auftrag {job}{log}"
MADE_OF = ", Messfahrt {log}"
LOADS = {"idle": "Leerlauf", "light": "leichte Last", "part": "Teillast", "full": "Volllast"}
BAND = "{rpm:.0f} U/min {load} {bank}"
SPAN = "{low:.2f} bis {high:.2f}"
NINETY = "90 %"

CARD, CARD_NAME, BY_BAND = "HÖHENKARTE", "Karte", "Alle Messpunkte"
HOME = "zu Hause"
PLACES = {"the drive": HOME, "home": HOME}
KINDS = {"idle": "Leerlauf", "cruise": "Reise", "full": "Volllast"}
CLIMB = "{place}: VOR DER AUFFAHRT {there}. VOR DER ABFAHRT {back}."
FLATS, ONE_FLAT = "{flats:g} Flächen", "{flats:g} Fläche"
RAISE, LOWER = "Düse {flats} höher drehen (magerer)", "Düse {flats} tiefer drehen (fetter)"
RAISE_NEEDLE = "Nadel {mm:.2f} mm höher hängen, mit Clip oder Scheiben (fetter)"
LOWER_NEEDLE = "Nadel {mm:.2f} mm tiefer hängen, mit Clip oder Scheiben (magerer)"
STAYS, STAYS_SLIDE = "{place}: Düse lassen, wie sie ist.", "{place}: Clip und Scheiben lassen, wie sie sind."
FOR_HOME = "Zu Hause zuerst {turn}: die Messfahrt war in anderer Luft."
DESCEND = "VOR DER ABFAHRT ZURÜCKSTELLEN: was am Berg stimmt, ist im Tal zu mager."
STATES: dict[StrEnum, str] = {
    State.AS_SET: "{place}",
    State.NOT_TURNED: "{place} nicht verstellt",
    State.TURNED: "{place} verstellt",
    State.NOT_BACK: "zu Hause, noch wie für {place}",
}
FOUND: dict[StrEnum, str] = {
    AltitudeRemark.FULL_LOAD_LEAN: (
        "VOLLLAST ZU MAGER, magerer als Lambda {limit:.2f}, Kolben können schmelzen: {places}. Dort kein Vollgas."
    ),
    AltitudeRemark.FULL_LOAD_MAY_BE_LEAN: (
        "Volllast vielleicht magerer als Lambda {limit:.2f}: {places}. Nur kurz Vollgas, um Lambda abzulesen. Bei Klingeln "
        "sofort Gas weg."
    ),
    AltitudeRemark.MISFIRES: "Zündaussetzer, magerer als Lambda {limit:.2f}: {places}.",
    AltitudeRemark.FOULS: "Kerzen verrußen, fetter als Lambda {limit:.2f}: {places}.",
}
AT = "{place} ({value})"
UP_TO = "bis {value:.2f}"
BY_PLACE = "Lambda"
HEADS = {"place": "Ort", "jet": "Düse", "needle": "Nadel", "co": "CO im\nLeerlauf %"}
JET: dict[StrEnum, str] = {
    State.AS_SET: "wie eingestellt",
    State.NOT_TURNED: "nicht verstellt",
    State.TURNED: "{turn}",
    State.NOT_BACK: "noch wie für {place}",
}
UP, DOWN = "{flats} höher", "{flats} tiefer"
NEEDLE_UP, NEEDLE_DOWN = "Nadel {mm:.2f} mm höher", "Nadel {mm:.2f} mm tiefer"
ON_SLOPE = "Auf einer Straße mit {slope:g} %, für den Ort eingestellt"
UPHILL, DOWNHILL = "{kind}\nbergauf", "{kind}\nbergab"
SPEED = "{kind} {rpm:.0f} U/min"
SHOWN = "Gezeigt: {bands}. 90 %: neun von zehn Mal liegt Lambda darin."
FLAT_IS = "Eine Fläche ist eine Sechstelumdrehung der Düsenmutter."
CO_MEANS = "CO im Leerlauf, wie es die Prüfstelle misst, ohne Falschluft."
RANGE_ASSUMED = "Der Verstellweg ist nicht angegeben: {mm:.1f} mm je Richtung sind angenommen."
NEVER = (
    "Jede Einstellung hält die Volllast bei Lambda {limit:.2f} oder fetter, auch zu Hause, wo sie vorher so war: nie "
    "magerer planen (Werkstattpraxis, ohne Quelle)."
)
ASSUMES = "Drehzahl, Gas und Kraftstoff wie auf der Messfahrt, Luft der Normatmosphäre. Im Zweifel gilt das Messgerät."
ROAD = (
    "Lambda auf der Strecke. Durchgezogen: Volllast. Gestrichelt: Reise. Punktiert: Leerlauf. Feine Punkte: Grenzen. Grau: "
    "Höhe der Straße."
)
ROAD_TURNED = f"{ROAD} Dick: wie zu Hause eingestellt. Dünn: für {{place}} eingestellt."
ROAD_X, ROAD_Y = "Weg (km)", "Lambda (-)"
LIMITS = {"full": "Volllast, magerste", "foul": "Kerzen verrußen", "misfire": "Zündaussetzer"}
