"""The lag of a log, lifts under other parts, drives of several days brought together, and what these hand back."""

from needlecalc.measure.drive.lag import Lag as Lag
from needlecalc.measure.drive.lag import find_lag as find_lag
from needlecalc.measure.drive.merge import Normalisation as Normalisation
from needlecalc.measure.drive.merge import merge_bands as merge_bands
from needlecalc.measure.drive.merge import normalise_bands as normalise_bands
from needlecalc.measure.drive.sweep import LeanLimits as LeanLimits
from needlecalc.measure.drive.sweep import typed_sweep as typed_sweep
from needlecalc.measure.lift.withlift import lift_change as lift_change
from needlecalc.measure.lift.withlift import restate_lift as restate_lift
from needlecalc.measure.log.file import Log as Log
from needlecalc.priors import LiftDoubts as LiftDoubts
