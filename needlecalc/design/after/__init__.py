"""After the design: the file judged, an overcut saved, the drive compared, other altitudes, needles at hand."""
