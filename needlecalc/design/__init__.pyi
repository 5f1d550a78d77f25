"""Twins, single cuts, and the records that solving, learning, comparing and ranking hand back."""

from needlecalc.design.after.altitude import AltitudeOutlook as AltitudeOutlook
from needlecalc.design.after.changes import Changes as Changes
from needlecalc.design.after.outcome import Outcome as Outcome
from needlecalc.design.after.progress import Progress as Progress
from needlecalc.design.after.progress import Rescue as Rescue
from needlecalc.design.after.rank import RankedNeedle as RankedNeedle
from needlecalc.design.after.rank import Ranking as Ranking
from needlecalc.design.after.trip import Route as Route
from needlecalc.design.after.trip import read_route as read_route
from needlecalc.design.belief.calibration import JetShift as JetShift
from needlecalc.design.belief.calibration import TrimReading as TrimReading
from needlecalc.design.belief.calibration import jet_shift as jet_shift
from needlecalc.design.belief.calibration import with_trims as with_trims
from needlecalc.design.belief.learned import Learned as Learned
from needlecalc.design.forward.metering import Metering as Metering
from needlecalc.design.forward.predict import Comparison as Comparison
from needlecalc.design.forward.predict import both_banks as both_banks
from needlecalc.design.inverse.alternatives import Alternative as Alternative
from needlecalc.design.inverse.limits import own_cut as own_cut
from needlecalc.design.inverse.nextstep import NextSteps as NextSteps
from needlecalc.design.inverse.proposal import Budget as Budget
from needlecalc.design.inverse.proposal import NextStep as NextStep
