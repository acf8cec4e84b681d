"""Where a page is: the place it belongs to, the way up from it, and the machine that is chosen."""

from __future__ import annotations

from typing import Any

from django import template
from django.urls import reverse

from buildlog.machines.chosen_machine import (
    MachineName,
    chosen,
    machine_names,
    machines_for,
    note_shown,
    records_of_page,
)
from buildlog.records.history import page_of

register = template.Library()

PLACES = {
    "now": ("Now", "home"),
    "sessions": ("Sessions", "sessions"),
    "bench": ("Bench", "vehicle_bench"),
    "compare": ("Compare", "compare"),
    "shed": ("Shed", "shed"),
    "settings": ("Settings", "settings"),
}
"""Each place with its label and its first page."""
LISTS = {
    "failures": "Failures",
    "failure_modes": "Names of failures",
    "parts": "Parts",
    "venues": "Venues and gates",
    "test_cards": "Test cards",
    "trials": "Trials",
    "help": "Help",
    "methods": "Methods",
    "people": "People",
    "share": "Share",
    "passes": "Passes",
    "logs": "Logs",
    "import_notebook": "Import a notebook",
}
"""Pages on the way up that are about no single record, with their labels."""
RECORDS = {
    "vehicle",
    "revision",
    "session",
    "venue",
    "part",
    "failure",
    "testcard",
    "trial",
    "failuremode",
    "log",
    "individual",
    "record",
}
"""Records on the way up: the names of their models, and the record of a page about any."""

_WAYS = {
    "now": "home",
    "search": "search",
    "sessions": "sessions new_session session passes logs import_notebook",
    "sessions passes": "count_passes",
    "sessions import_notebook": "notebook undo_notebook",
    "sessions session": "edit_session remove_session new_pass time_video new_reading new_log log recordings edit_pass "
    "remove_pass edit_reading remove_reading recordings_window mend_doubt confirm_doubt voice_note_sound "
    "remove_voice_note",
    "sessions session log": "log_original log_slice log_columns read_log_again cancel_import import_progress place_log "
    "remove_log new_instrument",
    "bench": "vehicle_bench suggest_card vehicle_doubts failures failure_modes what_if ask_again",
    "bench failures": "new_failure failure",
    "bench failures failure": "edit_failure remove_failure failure_cause failure_held close_failure remove_sign_off "
    "new_verification edit_verification remove_verification",
    "bench failure_modes": "failure_mode take_mode_apart",
    "bench failure_modes failuremode": "rename_mode join_mode",
    "compare": "compare vehicle_season trials share shared shared_photo",
    "compare trials": "new_trial trial",
    "compare trials trial": "edit_trial close_trial remove_trial trial_card",
    "compare share": "revoke_share",
    "shed": "shed new_vehicle vehicle read_archive parts venues test_cards",
    "shed vehicle": "edit_vehicle remove_vehicle made_of new_revision revision revision_difference vehicle_tables "
    "vehicle_table vehicle_archive vehicle_upkeep new_upkeep_item edit_upkeep_item remove_upkeep_item "
    "new_upkeep_check edit_upkeep_check remove_upkeep_check vehicle_instruments edit_instrument remove_instrument "
    "new_formula edit_formula remove_formula",
    "shed vehicle revision": "edit_revision remove_revision new_fitting new_modification revision_release "
    "accept_point release_to_ride revision_wiring revision_space edit_contacts new_balance_test edit_balance_test "
    "remove_balance_test edit_fitting remove_fitting edit_modification remove_modification revision_report",
    "shed parts": "new_part_kind new_part part",
    "shed parts part": "edit_part remove_part new_individual individual",
    "shed parts part individual": "edit_individual remove_individual new_piece_upkeep new_place edit_place "
    "remove_place",
    "shed venues": "new_venue venue",
    "shed venues venue": "edit_venue remove_venue new_gate edit_gate remove_gate",
    "shed test_cards": "new_test_card test_card",
    "shed test_cards testcard": "edit_test_card remove_test_card",
    "shed record": "record_history undo_change",
    "shed photos": "new_photo photo_image photo_thumbnail edit_photo remove_photo",
    "settings": "settings assumptions account people devices connection upkeep help methods read_in revoke_device "
    "connection_seen health specimen trash restore_removal empty_removal "
    "backup_file restore_backup one_time_codes",
    "settings people": "person access_log end_invitation",
    "settings help": "help_page",
    "settings methods": "method",
}
_OF_PHOTOS = ("vehicle", "revision", "session", "failure")
WAYS = {page: tuple(way.split()) for way, pages in _WAYS.items() for page in pages.split()}
"""For each page its place, and the pages above it."""


@register.simple_tag(takes_context=True)
def whereabouts(context: Any) -> dict[str, Any]:
    """Place, way up and machine of the page, for the frame around it. One query."""
    request = context.get("request")
    match = getattr(request, "resolver_match", None)
    way = WAYS.get(match.url_name or "", ()) if match is not None else ()
    machines = machine_names() if request is None else machines_for(request)
    records = records_of_page(context)
    machine = None
    if request is not None:
        shown = records.get("vehicle")
        machine = next((row for row in machines if shown is not None and row.pk == shown.pk), None)
        if machine is not None:
            note_shown(request, machine.pk)
        machine = machine or chosen(request, machines)
    return {
        "place": way[0] if way else "",
        "places": _places(machine),
        "steps": _steps(way, records, machine),
        "machine": machine,
        "others": len(machines) - 1,
        "is_demo": any(row.invented for row in machines),
    }


def _places(machine: MachineName | None) -> list[tuple[str, str, str]]:
    """Key, label and address of each place; the bench is one machine's."""
    places = []
    for key, (label, page) in PLACES.items():
        if key == "bench":
            if machine is not None:
                places.append((key, label, reverse(page, args=[machine.pk])))
        elif key == "compare" and machine is not None:
            places.append((key, label, f"{reverse(page)}?vehicle={machine.pk}"))
        else:
            places.append((key, label, reverse(page)))
    return places


def _steps(way: tuple[str, ...], records: dict[str, Any], machine: MachineName | None) -> list[tuple[str, str]]:
    """Label and address of each page above this one, the highest first."""
    if len(way) == 2 and way[1] == "photos":
        way = ("shed", *_OF_PHOTOS)
    steps = []
    for step in way:
        if step in PLACES:
            steps += [(label, address) for key, label, address in _places(machine) if key == step]
        elif step in LISTS:
            steps.append((LISTS[step], reverse(step)))
        elif step in records:
            record = records[step]
            label = record.label if step == "revision" else str(record)
            steps.append((label, page_of(record)))
    return steps
