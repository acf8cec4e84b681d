"""Every page in six cases: works, other role, outsider, read-only, bad id, wrong method."""

import uuid

import pytest
from django.urls import get_resolver

# page: (path with {names of fixtures}, least role that may open it). Nobody made the records of the fixtures, so
# recorders may remove none of them; `test_removal` has those that they may.
READ, LOG, BUILD, ADMIT = "reader", "recorder", "builder", "owner"
PAGES = {
    "home": ("/", READ),
    "search": ("/search/", READ),
    "shed": ("/shed/", READ),
    "settings": ("/settings/", READ),
    "record_history": ("/history/session/{session}/", READ),
    "undo_change": ("/history/session/{session}/undo/", LOG),
    "trash": ("/trash/", LOG),
    "restore_removal": ("/trash/{removal}/restore/", BUILD),
    "empty_removal": ("/trash/{removal}/empty/", BUILD),
    "new_vehicle": ("/vehicles/new/", BUILD),
    "vehicle": ("/vehicles/{vehicle}/", READ),
    "edit_vehicle": ("/vehicles/{vehicle}/edit/", BUILD),
    "remove_vehicle": ("/vehicles/{vehicle}/remove/", BUILD),
    "made_of": ("/vehicles/{vehicle}/made-of/", BUILD),
    "new_revision": ("/vehicles/{vehicle}/new-revision/", BUILD),
    "revision_difference": ("/vehicles/{vehicle}/difference/", READ),
    "read_archive": ("/vehicles/read-archive/", BUILD),
    "vehicle_tables": ("/vehicles/{vehicle}/tables/", READ),
    "vehicle_table": ("/vehicles/{vehicle}/tables/sessions.csv", READ),
    "vehicle_archive": ("/vehicles/{vehicle}/archive.zip", READ),
    "vehicle_season": ("/vehicles/{vehicle}/season/", READ),
    "vehicle_doubts": ("/vehicles/{vehicle}/doubts/", READ),
    "mend_doubt": ("/doubts/session/{session}/mend/", LOG),
    "confirm_doubt": ("/doubts/session/{session}/confirm/", LOG),
    "ask_again": ("/doubts/{confirmation}/ask-again/", LOG),
    "vehicle_bench": ("/vehicles/{vehicle}/bench/", READ),
    "suggest_card": ("/vehicles/{vehicle}/bench/card/", LOG),
    "what_if": ("/revisions/{revision}/what-if/", BUILD),
    "assumptions": ("/vehicles/{vehicle}/assumptions/", BUILD),
    "revision": ("/revisions/{revision}/", READ),
    "edit_revision": ("/revisions/{revision}/edit/", BUILD),
    "remove_revision": ("/revisions/{revision}/remove/", BUILD),
    "new_fitting": ("/revisions/{revision}/new-fitting/", BUILD),
    "new_modification": ("/revisions/{revision}/new-modification/", BUILD),
    "revision_release": ("/revisions/{revision}/release/", READ),
    "accept_point": ("/revisions/{revision}/release/accept/", BUILD),
    "release_to_ride": ("/revisions/{revision}/release/ride/", BUILD),
    "revision_wiring": ("/revisions/{revision}/wiring/", READ),
    "revision_space": ("/revisions/{revision}/space/", READ),
    "edit_contacts": ("/revisions/{revision}/contacts/", BUILD),
    "new_balance_test": ("/revisions/{revision}/balance-test/weighing/", BUILD),
    "edit_balance_test": ("/revisions/balance-tests/{balance_test}/edit/", BUILD),
    "remove_balance_test": ("/revisions/balance-tests/{balance_test}/remove/", BUILD),
    "edit_fitting": ("/revisions/fittings/{fitting}/edit/", BUILD),
    "remove_fitting": ("/revisions/fittings/{fitting}/remove/", BUILD),
    "edit_modification": ("/modifications/{modification}/edit/", BUILD),
    "remove_modification": ("/modifications/{modification}/remove/", BUILD),
    "parts": ("/parts/", READ),
    "new_part_kind": ("/parts/new/", BUILD),
    "new_part": ("/parts/new/motor/", BUILD),
    "part": ("/parts/{battery}/", READ),
    "edit_part": ("/parts/{battery}/edit/", BUILD),
    "remove_part": ("/parts/{battery}/remove/", BUILD),
    "new_individual": ("/parts/{battery}/new-piece/", BUILD),
    "individual": ("/pieces/{individual}/", READ),
    "edit_individual": ("/pieces/{individual}/edit/", BUILD),
    "remove_individual": ("/pieces/{individual}/remove/", BUILD),
    "new_place": ("/pieces/{individual}/fit/", BUILD),
    "new_piece_upkeep": ("/pieces/{individual}/new-upkeep/interval/", BUILD),
    "edit_place": ("/pieces/places/{individual_fitting}/edit/", BUILD),
    "remove_place": ("/pieces/places/{individual_fitting}/remove/", BUILD),
    "vehicle_instruments": ("/vehicles/{vehicle}/instruments/", READ),
    "new_instrument": ("/sessions/logs/{logger_file}/new-instrument/", BUILD),
    "edit_instrument": ("/instruments/{instrument}/edit/", BUILD),
    "remove_instrument": ("/instruments/{instrument}/remove/", BUILD),
    "new_formula": ("/vehicles/{vehicle}/new-formula/", BUILD),
    "edit_formula": ("/formulas/{formula}/edit/", BUILD),
    "remove_formula": ("/formulas/{formula}/remove/", BUILD),
    "vehicle_upkeep": ("/vehicles/{vehicle}/upkeep/", READ),
    "new_upkeep_item": ("/vehicles/{vehicle}/new-upkeep/torque/", BUILD),
    "edit_upkeep_item": ("/upkeep-items/{upkeep_item}/edit/", BUILD),
    "remove_upkeep_item": ("/upkeep-items/{upkeep_item}/remove/", BUILD),
    "new_upkeep_check": ("/upkeep-items/{upkeep_item}/done/", LOG),
    "edit_upkeep_check": ("/upkeep-checks/{upkeep_check}/edit/", LOG),
    "remove_upkeep_check": ("/upkeep-checks/{upkeep_check}/remove/", BUILD),
    "failures": ("/failures/", READ),
    "new_failure": ("/failures/new/", LOG),
    "failure": ("/failures/{failure}/", READ),
    "edit_failure": ("/failures/{failure}/edit/", LOG),
    "remove_failure": ("/failures/{failure}/remove/", BUILD),
    "failure_cause": ("/failures/{failure}/cause/", LOG),
    "failure_held": ("/failures/{failure}/held/", BUILD),
    "close_failure": ("/failures/{failure}/close/", BUILD),
    "remove_sign_off": ("/sign-offs/{sign_off}/remove/", BUILD),
    "failure_modes": ("/failure-modes/", READ),
    "failure_mode": ("/failure-modes/{failure_mode}/", READ),
    "rename_mode": ("/failure-modes/{failure_mode}/rename/", BUILD),
    "join_mode": ("/failure-modes/{failure_mode}/join/", BUILD),
    "take_mode_apart": ("/failure-modes/take-apart/{mode_change}/", BUILD),
    "new_verification": ("/modifications/{modification}/new-verification/", LOG),
    "edit_verification": ("/verifications/{verification}/edit/", LOG),
    "remove_verification": ("/verifications/{verification}/remove/", BUILD),
    "new_photo": ("/photos/new/session/{session}/", LOG),
    "photo_image": ("/photos/{photo}/image/", READ),
    "photo_thumbnail": ("/photos/{photo}/thumbnail/", READ),
    "edit_photo": ("/photos/{photo}/edit/", LOG),
    "remove_photo": ("/photos/{photo}/remove/", BUILD),
    "venues": ("/venues/", READ),
    "new_venue": ("/venues/new/", LOG),
    "venue": ("/venues/{venue}/", READ),
    "edit_venue": ("/venues/{venue}/edit/", LOG),
    "remove_venue": ("/venues/{venue}/remove/", BUILD),
    "new_gate": ("/venues/{venue}/new-gate/", LOG),
    "edit_gate": ("/gates/{gate}/edit/", LOG),
    "remove_gate": ("/gates/{gate}/remove/", BUILD),
    "sessions": ("/sessions/", READ),
    "passes": ("/passes/", READ),
    "count_passes": ("/passes/count/", LOG),
    "logs": ("/sessions/logs/", READ),
    "import_notebook": ("/sessions/import/", BUILD),
    "notebook": ("/sessions/import/{notebook}/", BUILD),
    "undo_notebook": ("/sessions/import/{notebook}/undo/", BUILD),
    "new_session": ("/sessions/new/", LOG),
    "session": ("/sessions/{session}/", READ),
    "edit_session": ("/sessions/{session}/edit/", LOG),
    "remove_session": ("/sessions/{session}/remove/", BUILD),
    "new_pass": ("/sessions/{session}/new-pass/", LOG),
    "time_video": ("/sessions/{session}/time-video/", LOG),
    "new_log": ("/sessions/{session}/new-log/", LOG),
    "log": ("/sessions/logs/{log}/", READ),
    "log_original": ("/sessions/logs/{log}/original/", READ),
    "log_columns": ("/sessions/logs/{logger_file}/columns/", LOG),
    "read_log_again": ("/sessions/logs/{log}/read/", LOG),
    "cancel_import": ("/sessions/logs/{log}/cancel-import/", LOG),
    "import_progress": ("/sessions/logs/{log}/import-progress/", READ),
    "place_log": ("/sessions/logs/{log}/place/", LOG),
    "recordings": ("/sessions/{session}/recordings/", READ),
    "recordings_window": ("/sessions/{session}/recordings/window/?from_s=0&to_s=10", READ),
    "log_slice": ("/sessions/logs/{log}/slice/?from_s=0&to_s=10", READ),
    "remove_log": ("/sessions/logs/{log}/remove/", BUILD),
    "new_reading": ("/sessions/{session}/new-reading/", LOG),
    "edit_pass": ("/sessions/passes/{timed_pass}/edit/", LOG),
    "voice_note_sound": ("/sessions/voice-notes/{voice_note}/", READ),
    "remove_voice_note": ("/sessions/voice-notes/{voice_note}/remove/", BUILD),
    "remove_pass": ("/sessions/passes/{timed_pass}/remove/", BUILD),
    "edit_reading": ("/sessions/readings/{reading}/edit/", LOG),
    "remove_reading": ("/sessions/readings/{reading}/remove/", BUILD),
    "read_in": ("/field/read-in/", LOG),
    "test_cards": ("/test-cards/", READ),
    "new_test_card": ("/test-cards/new/", LOG),
    "test_card": ("/test-cards/{card}/", READ),
    "edit_test_card": ("/test-cards/{card}/edit/", LOG),
    "remove_test_card": ("/test-cards/{card}/remove/", BUILD),
    "revision_report": ("/revisions/{revision}/report/", READ),
    "share": ("/share/", BUILD),
    "revoke_share": ("/share/{share_link}/revoke/", BUILD),
    "compare": ("/compare/", READ),
    "trials": ("/trials/", READ),
    "new_trial": ("/trials/new/", BUILD),
    "trial": ("/trials/{trial}/", READ),
    "edit_trial": ("/trials/{trial}/edit/", BUILD),
    "close_trial": ("/trials/{trial}/close/", BUILD),
    "remove_trial": ("/trials/{trial}/remove/", BUILD),
    "trial_card": ("/trials/{trial}/card/", LOG),
    "methods": ("/methods/", READ),
    "method": ("/methods/traction.stopping_distance_m/", READ),
    "help": ("/help/", READ),
    "help_page": ("/help/backup/", READ),
    "account": ("/account/", READ),
    "one_time_codes": ("/account/codes/", READ),
    "devices": ("/devices/", BUILD),
    "revoke_device": ("/devices/{device}/revoke/", BUILD),
    "people": ("/people/", ADMIT),
    "upkeep": ("/upkeep/", ADMIT),
    "restore_backup": ("/upkeep/restore/", ADMIT),
    "backup_file": ("/upkeep/backups/{backup_file}/", ADMIT),
    "person": ("/people/{other_account}/", ADMIT),
    "end_invitation": ("/people/invitations/{invitation}/end/", ADMIT),
    "access_log": ("/people/access-log/", ADMIT),
    "connection": ("/connection/", ADMIT),
}
POSTED_ONLY = {
    "undo_change",
    "restore_removal",
    "empty_removal",
    "suggest_card",
    "accept_point",
    "release_to_ride",
    "close_trial",
    "trial_card",
    "mend_doubt",
    "confirm_doubt",
    "ask_again",
    "failure_held",
    "close_failure",
    "rename_mode",
    "join_mode",
    "take_mode_apart",
    "revoke_share",
    "revoke_device",
    "end_invitation",
    "read_log_again",
    "cancel_import",
    "place_log",
    "count_passes",
    "undo_notebook",
}
ROLES = [READ, LOG, BUILD, ADMIT]
OPEN = {
    "health",
    "invitation",
    "first_restore",
    "new_password",
    "sign_in",
    "sign_in_code",
    "sign_out",
    "field",
    "field_manifest",
    "service_worker",
    "shared",
    "shared_photo",
    "connection_seen",  # answers to a signature only
}


@pytest.fixture
def path_of(request):
    def fill(name, broken=False):
        pattern = PAGES[name][0]
        fixture = pattern[pattern.find("{") + 1 : pattern.find("}")] if "{" in pattern else ""
        if not fixture:
            return pattern
        made = request.getfixturevalue(fixture).pk
        others = {uuid.UUID: uuid.uuid4, str: lambda: "another", int: lambda: made + 1}
        key = others[type(made)]() if broken else made
        return pattern.replace("{" + fixture + "}", str(key))

    return fill


def test_no_page_is_unlisted():
    named = {pattern.name for pattern in get_resolver().url_patterns if getattr(pattern, "name", None)}
    assert named == set(PAGES) | OPEN


@pytest.mark.parametrize("name", [name for name in PAGES if name not in POSTED_ONLY])
def test_works_for_who_may(name, path_of, sign_in):
    answer = sign_in(PAGES[name][1]).get(path_of(name))
    assert answer.status_code == 200
    if answer["Content-Type"].startswith("text/html"):
        assert 'action="/sign-out/"' in answer.content.decode()


@pytest.mark.parametrize("name", sorted(POSTED_ONLY))
def test_what_is_only_posted_leads_back_to_a_page(name, path_of, sign_in):
    client = sign_in(PAGES[name][1])
    # A point that is not open any more cannot be accepted; the page says so, with the reason that was typed.
    assert client.post(path_of(name), {}).status_code == (409 if name == "accept_point" else 302)
    assert client.get(path_of(name)).status_code == 405


@pytest.mark.parametrize("name", [name for name, (_, role) in PAGES.items() if role != READ])
def test_refused_to_the_role_below(name, path_of, sign_in):
    path = path_of(name)
    below = ROLES[ROLES.index(PAGES[name][1]) - 1]
    client = sign_in(below)
    if name not in POSTED_ONLY:
        assert client.get(path).status_code == 403
    assert client.post(path, {}).status_code == 403


@pytest.mark.parametrize("name", PAGES)
def test_an_outsider_is_asked_to_sign_in(name, path_of, client, db):
    path = path_of(name)
    answer = client.get(path)
    assert answer.status_code == 302
    assert answer.url.startswith("/sign-in/?next=")


@pytest.mark.parametrize("name", [name for name, (path, _) in PAGES.items() if "{" in path])
def test_a_bad_id_is_not_found(name, path_of, sign_in):
    client = sign_in(ADMIT)
    ask = client.post if name in POSTED_ONLY else client.get
    assert ask(path_of(name, broken=True)).status_code == 404
    pattern = PAGES[name][0]
    fixture = pattern[pattern.find("{") : pattern.find("}") + 1]
    assert client.get(pattern.replace(fixture, "not-a-key")).status_code == 404


@pytest.mark.parametrize("name", PAGES)
def test_a_wrong_method_is_refused(name, path_of, sign_in):
    assert sign_in(ADMIT).delete(path_of(name)).status_code == 405


OWN_PAGES = {"account", "one_time_codes", "log"}
READ_ONLY = [name for name, (_, role) in PAGES.items() if role == READ and name not in OWN_PAGES]


@pytest.mark.parametrize("name", READ_ONLY)
def test_reading_pages_cannot_be_posted_to(name, path_of, sign_in):
    assert sign_in(ADMIT).post(path_of(name), {}).status_code == 405
