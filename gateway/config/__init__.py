"""The configuration: fleet.toml, oncall.toml and the site files, read and checked as one."""

from gateway.config.configuration import Configuration
from gateway.config.loader import Plant, examine, examine_plant, load
from gateway.config.report import ConfigurationFaults, Level, Problem

__all__ = [
    "Configuration",
    "ConfigurationFaults",
    "Level",
    "Plant",
    "Problem",
    "examine",
    "examine_plant",
    "load",
]
