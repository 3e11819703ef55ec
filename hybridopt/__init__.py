"""Least-fuel schedules for parallel hybrid drivelines.

All that is meant for users is here, in the order of :data:`_HOMES`; `hybridopt/guide/api.md`
describes it. Names are imported on first use, so that light commands start fast.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    __version__: str
    from .base.errors import FailedError as FailedError
    from .base.errors import HybridoptError as HybridoptError
    from .base.errors import InfeasibleError as InfeasibleError
    from .base.errors import InputError as InputError
    from .base.warning import InputWarning as InputWarning
    from .controllers.builtin import AdaptiveEquivalence as AdaptiveEquivalence
    from .controllers.builtin import ElectricPower as ElectricPower
    from .controllers.builtin import Equivalence as Equivalence
    from .controllers.builtin import PowerThresholds as PowerThresholds
    from .controllers.controller import Command as Command
    from .controllers.controller import Observation as Observation
    from .controllers.foreseen import Predicted as Predicted
    from .controllers.journey import Shortfall as Shortfall
    from .controllers.preview import Preview as Preview
    from .controllers.preview import PreviewMaps as PreviewMaps
    from .distillation.distil import Distilled as Distilled
    from .distillation.distil import distil as distil
    from .distillation.family import Sizes as Sizes
    from .distillation.preview import DistilledPreview as DistilledPreview
    from .distillation.preview import distil_preview as distil_preview
    from .distillation.verify import VerifiedDrive as VerifiedDrive
    from .distillation.verify import verify as verify
    from .evaluation.case import Score as Score
    from .evaluation.charge_factor import ChargeFactor as ChargeFactor
    from .evaluation.charge_factor import charge_factor as charge_factor
    from .evaluation.compare import Comparison as Comparison
    from .evaluation.compare import Failure as Failure
    from .evaluation.compare import compare as compare
    from .evaluation.foresight_worth import ForesightRow as ForesightRow
    from .evaluation.foresight_worth import ForesightWorth as ForesightWorth
    from .evaluation.foresight_worth import foresight_worth as foresight_worth
    from .evaluation.plug_in import PlugIn as PlugIn
    from .evaluation.plug_in import plug_in as plug_in
    from .evaluation.plug_in import utility_factor as utility_factor
    from .evaluation.recall import recall_cycle as recall_cycle
    from .evaluation.recall import recall_driveline as recall_driveline
    from .evaluation.regret import Moment as Moment
    from .evaluation.regret import Regret as Regret
    from .evaluation.sources import read_controller as read_controller
    from .evaluation.trade_off import TradeOff as TradeOff
    from .evaluation.trade_off import trade_off as trade_off
    from .exports.files import write_rule_set as write_rule_set
    from .foresight.chain import DriveChain as DriveChain
    from .foresight.limit import CausalLimit as CausalLimit
    from .foresight.limit import Share as Share
    from .foresight.limit import causal_limit as causal_limit
    from .foresight.model import DriveModel as DriveModel
    from .foresight.model import drive_model as drive_model
    from .foresight.predictions import SpeedError as SpeedError
    from .foresight.preview_maps import make_preview_maps as make_preview_maps
    from .foresight.training import drive_chain as drive_chain
    from .inputs.catalogue import cycle_names as cycle_names
    from .inputs.cycle import Cycle as Cycle
    from .inputs.cycle import read_cycle as read_cycle
    from .inputs.cycle_writing import save_cycle as save_cycle
    from .inputs.driveline import Driveline as Driveline
    from .inputs.driveline import Functions as Functions
    from .inputs.driveline_file import driveline_names as driveline_names
    from .inputs.driveline_file import read_driveline as read_driveline
    from .inputs.maps import read_curve as read_curve
    from .measured_car.assess import Assessment as Assessment
    from .measured_car.assess import assess as assess
    from .measured_car.identify import Identified as Identified
    from .measured_car.identify import LeftOut as LeftOut
    from .measured_car.identify import identify as identify
    from .measured_car.parameters import Estimate as Estimate
    from .measured_car.parameters import NotIdentified as NotIdentified
    from .measured_car.strategy import CarStrategy as CarStrategy
    from .measured_car.strategy import strategy as strategy
    from .measurements.channels import ColumnRequest as ColumnRequest
    from .measurements.drive import Cleaning as Cleaning
    from .measurements.drive import ImportedDrive as ImportedDrive
    from .measurements.drive import import_drive as import_drive
    from .measurements.followability import Following as Following
    from .measurements.followability import follow as follow
    from .measurements.map_gridding import BenchMap as BenchMap
    from .measurements.map_gridding import GridRequest as GridRequest
    from .measurements.map_import import import_map as import_map
    from .measurements.map_quality import MapQuality as MapQuality
    from .measurements.recording import Finding as Finding
    from .measurements.recording import Recording as Recording
    from .measurements.recording_import import read_recording as read_recording
    from .measurements.recording_writing import save_recording as save_recording
    from .measurements.trips import Trip as Trip
    from .measurements.trips import choose_trips as choose_trips
    from .measurements.trips import cut_trips as cut_trips
    from .optimum.optimum import Optimum as Optimum
    from .optimum.result import Result as Result
    from .physics.capability import Capability as Capability
    from .physics.capability import capability as capability
    from .physics.codes import EngineClass as EngineClass
    from .physics.demand import Demand as Demand
    from .physics.demand import wheel_demand as wheel_demand
    from .physics.launch_series import LaunchSeries as LaunchSeries
    from .physics.launch_series import repeat_launch as repeat_launch
    from .physics.launch_series import verdict as verdict
    from .physics.launches import Launch as Launch
    from .physics.launches import launch as launch
    from .physics.modes import Mode as Mode
    from .physics.operating_points import OperatingPoints as OperatingPoints
    from .physics.operating_points import list_operating_points as list_operating_points
    from .physics.replay import replay_schedule as replay_schedule
    from .physics.schedule import Schedule as Schedule
    from .physics.thermal import Strain as Strain
    from .physics.thermal import strains as strains
    from .pipeline import BatchItem as BatchItem
    from .pipeline import find_optimum as find_optimum
    from .pipeline import solve_batch as solve_batch
    from .pipeline import solve_cycle as solve_cycle
    from .plots.axes import new_figure as new_figure
    from .plots.axes import save_figure as save_figure
    from .plots.before_after import plot_drive as plot_drive
    from .plots.bench_map import plot_bench_map as plot_bench_map
    from .plots.colours import MODE_COLOURS as MODE_COLOURS
    from .plots.comparison import plot_comparison as plot_comparison
    from .plots.controllers import plot_regret as plot_regret
    from .plots.controllers import plot_soc_paths as plot_soc_paths
    from .plots.cost_to_go import plot_cost_to_go as plot_cost_to_go
    from .plots.cost_to_go import plot_costate as plot_costate
    from .plots.cost_to_go import plot_costate_surface as plot_costate_surface
    from .plots.energy_flow import plot_energy_flow as plot_energy_flow
    from .plots.foresight_worth import plot_foresight as plot_foresight
    from .plots.gears import plot_gear_speeds as plot_gear_speeds
    from .plots.gears import plot_gear_use as plot_gear_use
    from .plots.identified import plot_identified as plot_identified
    from .plots.launch import launch_figure as launch_figure
    from .plots.measured_car import plot_assessment as plot_assessment
    from .plots.mode_map import plot_mode_map as plot_mode_map
    from .plots.operating_points import plot_engine_points as plot_engine_points
    from .plots.operating_points import plot_motor_points as plot_motor_points
    from .plots.plug_in import plug_in_figure as plug_in_figure
    from .plots.recording import plot_recording as plot_recording
    from .plots.rule_tables import plot_table as plot_table
    from .plots.rule_tables import rule_table_figure as rule_table_figure
    from .plots.rule_tables import rule_tables_figure as rule_tables_figure
    from .plots.schedule import plot_gear as plot_gear
    from .plots.schedule import plot_modes as plot_modes
    from .plots.schedule import plot_schedule as plot_schedule
    from .plots.schedule import plot_soc as plot_soc
    from .plots.schedule import plot_speed as plot_speed
    from .plots.schedule import plot_torques as plot_torques
    from .plots.study import plot_effects as plot_effects
    from .plots.study import plot_pareto as plot_pareto
    from .plots.trade_off import plot_trade_off as plot_trade_off
    from .plots.variants import plot_variants as plot_variants
    from .problem.settings import Settings as Settings
    from .report.saving import save_report as save_report
    from .study.drivelines import solve_variants as solve_variants
    from .study.front import plan_study as plan_study
    from .study.front import solve_study as solve_study
    from .study.front import study_results as study_results
    from .study.plan import StudyPlan as StudyPlan
    from .tables.files import read_preview as read_preview
    from .tables.files import read_rule_set as read_rule_set
    from .tables.preview_set import PreviewSet as PreviewSet
    from .tables.rule_set import RuleSet as RuleSet
    from .text import bench_map_report as _bench_map_report
    from .text import import_report as _import_report
    from .text import recording_report as _recording_report
    from .text.assessment import assessment_text as assessment_text
    from .text.bench_map_report import save_map as save_map
    from .text.car_strategy import strategy_text as strategy_text
    from .text.comparison import comparison_text as comparison_text
    from .text.foresight_limit import limit_text as limit_text
    from .text.foresight_worth import foresight_text as foresight_text
    from .text.identified import identified_text as identified_text
    from .text.plug_in import plug_in_text as plug_in_text
    from .text.summary import summary as summary
    from .text.verification import distilled_text as distilled_text
    from .text.verification import verification_text as verification_text

    drive_report = _import_report.report_lines
    recording_text = _recording_report.report_text
    map_report = _bench_map_report.report_lines

_HOMES = {
    "solve_cycle": "pipeline",
    "find_optimum": "pipeline",
    "solve_batch": "pipeline",
    "BatchItem": "pipeline",
    "Settings": "problem.settings",
    "Result": "optimum.result",
    "Optimum": "optimum.optimum",
    "Cycle": "inputs.cycle",
    "read_cycle": "inputs.cycle",
    "cycle_names": "inputs.catalogue",
    "save_cycle": "inputs.cycle_writing",
    "Driveline": "inputs.driveline",
    "Functions": "inputs.driveline",
    "read_driveline": "inputs.driveline_file",
    "driveline_names": "inputs.driveline_file",
    "read_curve": "inputs.maps",
    "Demand": "physics.demand",
    "wheel_demand": "physics.demand",
    "EngineClass": "physics.codes",
    "OperatingPoints": "physics.operating_points",
    "list_operating_points": "physics.operating_points",
    "Schedule": "physics.schedule",
    "replay_schedule": "physics.replay",
    "Mode": "physics.modes",
    "Strain": "physics.thermal",
    "strains": "physics.thermal",
    "capability": "physics.capability",
    "Capability": "physics.capability",
    "Launch": "physics.launches",
    "LaunchSeries": "physics.launch_series",
    "launch": "physics.launches",
    "repeat_launch": "physics.launch_series",
    "verdict": "physics.launch_series",
    "Command": "controllers.controller",
    "Observation": "controllers.controller",
    "PowerThresholds": "controllers.builtin",
    "ElectricPower": "controllers.builtin",
    "Equivalence": "controllers.builtin",
    "AdaptiveEquivalence": "controllers.builtin",
    "Preview": "controllers.preview",
    "PreviewMaps": "controllers.preview",
    "make_preview_maps": "foresight.preview_maps",
    "Predicted": "controllers.foreseen",
    "read_controller": "evaluation.sources",
    "compare": "evaluation.compare",
    "Comparison": "evaluation.compare",
    "Failure": "evaluation.compare",
    "Score": "evaluation.case",
    "Shortfall": "controllers.journey",
    "Moment": "evaluation.regret",
    "Regret": "evaluation.regret",
    "foresight_worth": "evaluation.foresight_worth",
    "ForesightWorth": "evaluation.foresight_worth",
    "ForesightRow": "evaluation.foresight_worth",
    "SpeedError": "foresight.predictions",
    "charge_factor": "evaluation.charge_factor",
    "ChargeFactor": "evaluation.charge_factor",
    "plug_in": "evaluation.plug_in",
    "PlugIn": "evaluation.plug_in",
    "utility_factor": "evaluation.plug_in",
    "trade_off": "evaluation.trade_off",
    "TradeOff": "evaluation.trade_off",
    "solve_variants": "study.drivelines",
    "recall_cycle": "evaluation.recall",
    "recall_driveline": "evaluation.recall",
    "distil": "distillation.distil",
    "Distilled": "distillation.distil",
    "distil_preview": "distillation.preview",
    "DistilledPreview": "distillation.preview",
    "Sizes": "distillation.family",
    "verify": "distillation.verify",
    "VerifiedDrive": "distillation.verify",
    "causal_limit": "foresight.limit",
    "CausalLimit": "foresight.limit",
    "Share": "foresight.limit",
    "drive_chain": "foresight.training",
    "drive_model": "foresight.model",
    "DriveModel": "foresight.model",
    "DriveChain": "foresight.chain",
    "RuleSet": "tables.rule_set",
    "PreviewSet": "tables.preview_set",
    "read_rule_set": "tables.files",
    "read_preview": "tables.files",
    "write_rule_set": "exports.files",
    "import_drive": "measurements.drive",
    "ImportedDrive": "measurements.drive",
    "Cleaning": "measurements.drive",
    "ColumnRequest": "measurements.channels",
    "read_recording": "measurements.recording_import",
    "save_recording": "measurements.recording_writing",
    "Recording": "measurements.recording",
    "Finding": "measurements.recording",
    "cut_trips": "measurements.trips",
    "choose_trips": "measurements.trips",
    "Trip": "measurements.trips",
    "follow": "measurements.followability",
    "Following": "measurements.followability",
    "import_map": "measurements.map_import",
    "BenchMap": "measurements.map_gridding",
    "GridRequest": "measurements.map_gridding",
    "MapQuality": "measurements.map_quality",
    "identify": "measured_car.identify",
    "Identified": "measured_car.identify",
    "LeftOut": "measured_car.identify",
    "Estimate": "measured_car.parameters",
    "NotIdentified": "measured_car.parameters",
    "assess": "measured_car.assess",
    "Assessment": "measured_car.assess",
    "strategy": "measured_car.strategy",
    "CarStrategy": "measured_car.strategy",
    "plan_study": "study.front",
    "solve_study": "study.front",
    "study_results": "study.front",
    "StudyPlan": "study.plan",
    "new_figure": "plots.axes",
    "save_figure": "plots.axes",
    "MODE_COLOURS": "plots.colours",
    "plot_schedule": "plots.schedule",
    "plot_speed": "plots.schedule",
    "plot_gear": "plots.schedule",
    "plot_modes": "plots.schedule",
    "plot_torques": "plots.schedule",
    "plot_soc": "plots.schedule",
    "plot_engine_points": "plots.operating_points",
    "plot_motor_points": "plots.operating_points",
    "plot_energy_flow": "plots.energy_flow",
    "plot_gear_use": "plots.gears",
    "plot_gear_speeds": "plots.gears",
    "plot_costate": "plots.cost_to_go",
    "plot_cost_to_go": "plots.cost_to_go",
    "plot_costate_surface": "plots.cost_to_go",
    "plot_soc_paths": "plots.controllers",
    "plot_regret": "plots.controllers",
    "plot_comparison": "plots.comparison",
    "plug_in_figure": "plots.plug_in",
    "plot_trade_off": "plots.trade_off",
    "plot_foresight": "plots.foresight_worth",
    "plot_mode_map": "plots.mode_map",
    "plot_table": "plots.rule_tables",
    "rule_table_figure": "plots.rule_tables",
    "rule_tables_figure": "plots.rule_tables",
    "launch_figure": "plots.launch",
    "plot_variants": "plots.variants",
    "plot_drive": "plots.before_after",
    "plot_assessment": "plots.measured_car",
    "plot_bench_map": "plots.bench_map",
    "plot_recording": "plots.recording",
    "plot_identified": "plots.identified",
    "plot_pareto": "plots.study",
    "plot_effects": "plots.study",
    "identified_text": "text.identified",
    "summary": "text.summary",
    "comparison_text": "text.comparison",
    "foresight_text": "text.foresight_worth",
    "plug_in_text": "text.plug_in",
    "verification_text": "text.verification",
    "distilled_text": "text.verification",
    "limit_text": "text.foresight_limit",
    "assessment_text": "text.assessment",
    "strategy_text": "text.car_strategy",
    "drive_report": "text.import_report:report_lines",
    "map_report": "text.bench_map_report:report_lines",
    "recording_text": "text.recording_report:report_text",
    "save_map": "text.bench_map_report",
    "save_report": "report.saving",
    "HybridoptError": "base.errors",
    "InputError": "base.errors",
    "InfeasibleError": "base.errors",
    "FailedError": "base.errors",
    "InputWarning": "base.warning",
}
"""Module of every public name, and after a colon its name there where that is another."""

__all__ = [*_HOMES, "__version__"]


def __getattr__(name: str) -> Any:
    """Import a public name on first use."""
    if name == "__version__":
        from importlib import metadata

        return metadata.version(__name__)
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, inner = _HOMES[name].partition(":")
    return getattr(importlib.import_module(f".{module}", __name__), inner or name)


def __dir__() -> list[str]:
    return sorted(__all__)
