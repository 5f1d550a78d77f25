"""Every text of the pages for driver, customer and tester, in German."""

from __future__ import annotations

from enum import StrEnum

from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.after.trip import Mixture, State

GOES_ON, PAGE = "WEITER AUF DER RÜCKSEITE", "{name}, Seite {page} von {pages}"
MADE = "needlecalc {version}, {when:%d.%m.%Y}, Auftrag {job}{log}"
MADE_OF = ", Messfahrt {log}"
LOADS = {"idle": "Leerlauf", "light": "leichte Last", "part": "Teillast", "full": "Volllast"}
BAND = "{rpm:.0f} U/min {load} {bank}"
SPAN = "{low:.2f} bis {high:.2f}"
NINETY = "90 %"

CARD, CARD_NAME = "HÖHENKARTE", "Karte"
HOME = "zu Hause"
PLACES = {"the drive": HOME, "home": HOME}
KINDS = {"idle": "Leerlauf", "cruise": "Teillast", "full": "Volllast"}
CLIMB = "{place}: VOR DER AUFFAHRT {there}. VOR DER ABFAHRT {back}."
FLATS, ONE_FLAT = "{flats:g} Flächen", "{flats:g} Fläche"
RAISE, LOWER = "Düse {flats} höher drehen (magerer)", "Düse {flats} tiefer drehen (fetter)"
RAISE_NEEDLE = "Nadel {mm:.2f} mm höher hängen, mit Clip oder Scheiben (fetter)"
LOWER_NEEDLE = "Nadel {mm:.2f} mm tiefer hängen, mit Clip oder Scheiben (magerer)"
STAYS, STAYS_SLIDE = "{place}: Düse lassen, wie sie ist.", "{place}: Clip und Scheiben lassen, wie sie sind."
HELD = " Nicht weiter: die Volllast würde unterwegs zu mager."
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
PILOT = "Den Leerlauf macht das Leerlaufsystem, nicht die Nadel. Dort einstellen."
FLAT_IS = "Eine Fläche ist eine Sechstelumdrehung der Düsenmutter."
CO_MEANS = "CO im Leerlauf, trocken, ohne Falschluft; 0.5 % Restsauerstoff im Abgas geben etwa 0.8 dazu."
AT_STOP = "Gilt für die Nadel am ersten Halt: nach dem nächsten Feilen eine neue Karte machen."
RANGE_ASSUMED = "Der Verstellweg ist nicht angegeben: {mm:.1f} mm je Richtung sind angenommen."
NEVER = (
    "Jede Einstellung hält die Volllast bei Lambda {limit:.2f} oder fetter, auch zu Hause, wo sie vorher so war: nie "
    "magerer planen (Werkstattpraxis, ohne Quelle)."
)
ASSUMES = "Drehzahl, Gas und Kraftstoff wie auf der Messfahrt, Luft der Normatmosphäre. Im Zweifel gilt das Messgerät."
ROAD = (
    "Lambda auf der Strecke. Durchgezogen: Volllast. Gestrichelt: Teillast. Punktiert: Leerlauf. Feine Punkte: Grenzen. "
    "Grau: Höhe der Straße."
)
ROAD_TURNED = f"{ROAD} Dick: wie zu Hause eingestellt. Dünn: für {{place}} eingestellt."
ROAD_X, ROAD_Y = "Weg (km)", "Lambda (-)"
LIMITS = {"full": "Volllast, magerste", "foul": "Kerzen verrußen", "misfire": "Zündaussetzer"}

CUSTOMER, TESTER = "FÜR DEN KUNDEN", "FÜR DIE PRÜFSTELLE"
CUSTOMER_NAME, TESTER_NAME = "Kunde", "Prüfstelle"
COMPLAINT, FOUND_THEN, DONE = "Beanstandung", "Befund", "Ausgeführt"
FILED = "Die Nadel wurde von Hand auf diesen Motor gefeilt, nach {drives} Messfahrten mit Lambdagerät."
JET_SET = "Düse steht jetzt {after:.2f} mm unter der Brücke, vorher {before:.2f} mm."
NEEDLE_SET = "Nadel hängt jetzt {mm:.2f} mm {way} als vorher."
HIGHER, LOWER_DOWN = "höher", "tiefer"
RUNS = "So läuft er"
RUNS_HEADS = {"what": "", "before": "vorher", "then": "", "after": "nachher", "now": ""}
EXPECTED = "erwartet, noch nicht gefahren"
MEANS: dict[str, dict[StrEnum, str]] = {
    "idle": {Mixture.LEAN: "zu mager: läuft unrund", Mixture.RIGHT: "richtig", Mixture.RICH: "zu fett: riecht nach Benzin"},
    "cruise": {Mixture.LEAN: "zu mager: ruckelt", Mixture.RIGHT: "richtig", Mixture.RICH: "zu fett: verbraucht zu viel"},
    "full": {
        Mixture.LEAN: "zu mager: Kolben können schmelzen",
        Mixture.RIGHT: "richtig",
        Mixture.RICH: "zu fett: Ruß, weniger Leistung",
    },
}
LAMBDA_OF, CO_AT_IDLE = "Lambda, {kind}", "CO im Leerlauf, %"
LAMBDA_MEANS = "Bei Lambda 1 verbrennt alles Benzin mit aller Luft; darüber ist mager, darunter fett. CO {co}."
CO_READ, CO_COMPUTED = "gemessen, wo ein Abgastester lief, sonst aus Lambda berechnet", "aus Lambda berechnet"
BACK = "So geht es zurück"
BACK_NEEDLE = (
    "Abgefeiltes kommt nicht wieder: neue Nadel {needle} einbauen, Düse {drop:.2f} mm unter die Brücke stellen. Vor dem "
    "ersten Vollgas Lambda messen."
)
BACK_JET = "Düse wieder {drop:.2f} mm unter die Brücke stellen. Vor dem ersten Vollgas Lambda messen."
BACK_SLIDE = "Neue Nadel {needle} einbauen, Clip und Scheiben wie vorher. Vor dem ersten Vollgas Lambda messen."
BACK_CLIP = "Clip und Scheiben wie vorher. Vor dem ersten Vollgas Lambda messen."
NOTHING_TO_GO_BACK = "Nadel und Düse sind, wie sie waren."
LABEL = "Ausschneiden und ins Auto legen"
LABEL_HEADS = {"place": "Ort", "climb": "VOR DER AUFFAHRT", "descent": "VOR DER ABFAHRT"}
STAY = "so lassen"
NEXT = "Nächste Kontrolle nach 500 km"
NEXT_SAID = "Sofort bei Klingeln, Aussetzern, schwarzem Rauch oder Benzingeruch. Klingelt er bei Vollgas: sofort Gas weg."
NEXT_HEADS = {"km": "km jetzt", "check": "Kontrolle bei km", "date": "Datum", "by": "Werkstatt"}
TEST_HEADS = {"what": "", "read": "Werkstatt", "limit": "Grenzwert", "station": "Prüfstelle"}
TESTED = {
    "idle_rpm": "Leerlaufdrehzahl, U/min",
    "co_percent": "CO, %",
    "co2_percent": "CO2, %",
    "o2_percent": "O2, %",
    "hc_ppm": "HC, ppm",
    "lambda": "Lambda",
}
AT_MOST, AT_LEAST = "höchstens {value:g}", "mindestens {value:g}"
SETTING = "Nadel {needle}. Düsenbohrung {bore:g} mm, Düse {drop:.2f} mm unter der Brücke."
SETTING_SLIDE = "Nadel {needle}. Nadeldüse {bore:g} mm."
SIGN_HEADS = {"date": "Datum", "place": "Prüfstelle", "name": "Prüfer", "signature": "Unterschrift"}
LIMITS_STATED = "Grenzwerte nach Angabe der Werkstatt. Es gelten das Gesetz und der Prüfer."
NOT_INDOORS = "Abgas ist giftig: Motor nie in der Halle ohne Absaugung laufen lassen."
