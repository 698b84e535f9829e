"""The columns of the state that are younger than the first snapshots: a snapshot may lack them."""

from __future__ import annotations

from typing import Final

__all__ = ["ADDED_LATER"]

ADDED_LATER: Final = frozenset({
    "figure_day", "figure_mark", "water_looks", "heat_sum", "heat_bins", "heat_wet",
    "heat_since_bin", "dry_held", "wet_falls_k", "wet_course", "td_gap_h", "td_last_bin",
    "level_step_mm",
    "step_clean", "bleed_run_bins", "bleed_shut_bins", "bleed_turns", "bleed_open_bins",
    "bleed_more_bins", "bleed_usual_l_min", "top_run_bins", "top_us_cm", "float_top_mm",
    "float_hours", "float_ms", "round_set", "round_bins", "round_alone_bins", "round_longest_bins",
    "round_ended_by", "rounds", "running_current_a",
    "bottom_run_bins", "bottom_us_cm", "thin_run_bins", "thin_evaporated",
    "stroke_from_us_cm", "stroke_to_us_cm", "stroke_bins", "stroke_run_bins",
    "empty_bins", "filling_bins", "old_water_us_cm", "old_usual_us_cm", "fills", "fills_off",
    "fill_us_cm", "fill_usual_us_cm", "fill_spread", "fill_bin", "fill_says",
    "slide_bins", "slide_from_us_cm", "turns", "turn_us_cm", "turn_low_us_cm", "turn_bin",
    "turn_worked_bin", "ebb_us_cm", "ebb_low_us_cm", "ebb_bin",
    "wet_idle_s", "wet_starts", "wet_called", "current_low_a", "current_hours",
    "level_longest_bins",
    "evaporation_share", "evaporation_clean", "evaporation_hours",
    "gang_turns", "gang_seen_bins", "gang_longest_bins", "gang_last", "gang_part", "gang_held",
    "gang_set", "gang_stops", "gang_moves", "gang_bins", "site_away_listened_ms",
    "lead_set", "lead_run", "lead_bins", "lead_ran_bins", "lead_longest_bins", "leads",
    "lead_stops", "coil_since_bin", "leap_bin", "still_water_degc", "alarm_until_s",
    "fill_flow", "fill_flows", "fills_slow", "fill_flow_bin", "fill_heel",
    "level_rest_longest_bins", "even_sums", "even_rise_k", "even_bin", "even_since_bin",
    "td_turn", "td_since", "td_hours", "td_upper_k",
})  # fmt: skip
"""Columns that snapshots of earlier versions do not have: they start empty."""
