"""A small fleet for tests of the whole gateway: two sites, two units each, and its configuration.

Sites and people are invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from gateway.config import Configuration
from gateway.intake import BrokerSettings
from gateway.mail.smtp import MailSettings
from gateway.telemetry import StoreSettings
from gateway.tickets.notice import Recipient
from gateway.tickets.routing import Routing, TeamRoute
from gateway.watching.settings import WatchSettings
from rules.equipment import Site

__all__ = ["SITES", "UNITS", "configuration", "site"]


def site(site_id: str, *unit_ids: str) -> Site:
    """A site with these units, all alike."""
    return Site.model_validate(
        {
            "id": site_id,
            "name": site_id.replace("-", " ").title(),
            "address": "1 Test Road",
            "access": "Key at the gate",
            "time_zone": "Europe/Lisbon",
            "elevation_m": 12,
            "energy_control_procedure": "ECP-07, plant room folder",
            "team": "north",
            "contacts": [{"name": "Gate", "role": "Porter", "phone": "+351 555 0100"}],
            "units": [_unit(unit_id) for unit_id in unit_ids],
        }
    )


def _unit(unit_id: str) -> dict[str, object]:
    return {
        "id": unit_id,
        "name": f"Condenser {unit_id}",
        "location": "Roof, north side",
        "basin": {
            "area_m2": 2.4, "depth_mm": 400, "float_shut_mm": 250, "float_band_mm": 30,
            "overflow_mm": 320, "pump_minimum_mm": 90, "makeup_max_l_min": 40,
        },
        "pump": {
            "rated_current_a": 4.2, "rated_voltage_v": 400, "rated_flow_l_min": 180,
            "rated_pressure_kpa": 80,
        },
        "fans": {"count": 6, "rated_airflow_m3_s": 30},
        "condenser": {
            "refrigerant": "R717", "rated_capacity_kw": 350, "rated_td_k": 11,
            "cut_out_kpa_abs": 1800,
        },
        "water": {"makeup_conductivity_us_cm": 300, "conductivity_limit_us_cm": 1500},
        "isolation": [
            {
                "label": "Q14", "energy": "electrical", "isolates": "Pump and fans",
                "location": "Panel on the unit", "method": "Switch off, lock, tag",
                "verify": "Prove dead at the motor terminals",
            }
        ],
    }  # fmt: skip


SITES = (site("quay", "ac-1", "ac-2"), site("mill", "ac-1", "ac-2"))
UNITS = tuple((s.id, u.id) for s in SITES for u in s.units)


def configuration(
    broker_port: int, mail_port: int, sites: tuple[Site, ...] = SITES, **changed: object
) -> Configuration:
    """A configuration with servers on loopback; the embedded store keeps a year."""
    person = Recipient("Ada Holm", "ada@north.example")
    whole = Configuration(
        directory=Path("fleet"),
        name="Test fleet",
        from_name="Condenser watch",
        sites=sites,
        settings={},
        broker=BrokerSettings("127.0.0.1", broker_port, client_id="watch-1"),
        store=StoreSettings(),
        mail=MailSettings("127.0.0.1", "watch@centre.example", mail_port, security="none"),
        journal_budget_mb=500,
        watch=WatchSettings(serve=False),
        routing=Routing(
            {"north": TeamRoute(on_call=(person,), planner=(person,))},
            {s.id: "north" for s in sites},
        ),
    )
    return replace(whole, **changed)  # type: ignore[arg-type]
