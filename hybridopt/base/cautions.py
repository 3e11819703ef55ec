"""Cautions that stand on results, reports and exported tables."""

CAUTION_LINE = "Benchmark result, not a released calibration: verify on bench and closed track."
CAUTION = (
    "Benchmark result, not a released calibration. Verify on the bench and on a closed track "
    "under your own safety process; work on high voltage and vehicles needs qualified people; "
    "local codes and licensed practice come first."
)
TABLES_CAUTION = (
    "Benchmark result, not a released calibration. These tables can move a vehicle: verify on the "
    "bench and on a closed track under your own safety process. High voltage and vehicles need "
    "qualified people. Local codes and licensed practice come first."
)
CAUTIONS = (
    "Results are benchmarks, not a released calibration.",
    "Exported schedules and tables can move a vehicle. Verify them on the bench and on a closed "
    "track, under your own safety process, before anybody relies on them.",
    "Work on high voltage and on vehicles needs qualified people.",
    "Local codes, type approval and licensed practice come first; nothing here replaces them.",
    "The whole cycle was known beforehand. No controller on the road can know it; that is what "
    "makes the result a benchmark.",
)
