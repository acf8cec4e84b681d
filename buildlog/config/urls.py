"""Every address of the site, in one place."""

from django.conf import settings
from django.contrib import admin
from django.urls import include, path

from buildlog.failures import mode_pages, modification_pages, part_page, verification_pages
from buildlog.failures import pages as failures
from buildlog.hosting import (
    connection_pages,
    error_pages,
    help_pages,
    method_pages,
    settings_page,
    specimen_page,
    upkeep_pages,
)
from buildlog.machines import pages as machines
from buildlog.machines import part_pages, space_pages, wiring_page
from buildlog.people import account_pages, device_pages, sign_in_pages
from buildlog.people import pages as people
from buildlog.photos import image_files, new_record_pages
from buildlog.photos import pages as photos
from buildlog.records import history_pages
from sessions.bench import (
    card_pages,
    home_pages,
    release_pages,
    revision_page,
    search_page,
    shed_page,
    trial_cards,
)
from sessions.bench import pages as bench_pages
from sessions.evidence import doubt_pages, form_pages
from sessions.evidence import pages as evidence_pages
from sessions.field import pages as field_pages
from sessions.logs import column_pages, recordings_pages
from sessions.logs import pages as logs
from sessions.outings import machine_pages
from sessions.outings import pages as outings
from sessions.outings import space_pages as outing_space
from sessions.sharing import archive_pages
from sessions.sharing import pages as share_pages
from sessions.trials import pages as compare_pages
from sessions.trials import season_pages, trial_pages

handler400 = connection_pages.bad_request
handler404 = connection_pages.missing_page
handler500 = error_pages.server_error
urlpatterns = [
    path("", home_pages.home, name="home"),
    path("search/", search_page.search, name="search"),
    path("shed/", shed_page.shed, name="shed"),
    path("settings/", settings_page.settings, name="settings"),
    path("history/<slug:kind>/<uuid:pk>/", history_pages.record_history, name="record_history"),
    path("history/<slug:kind>/<uuid:pk>/undo/", history_pages.undo_change, name="undo_change"),
    path("trash/", history_pages.trash_page, name="trash"),
    path("trash/<int:pk>/restore/", history_pages.restore_removal, name="restore_removal"),
    path("trash/<int:pk>/empty/", history_pages.empty_removal, name="empty_removal"),
    path("vehicles/new/", machines.new_vehicle, name="new_vehicle"),
    path("vehicles/<uuid:pk>/", machine_pages.vehicle, name="vehicle"),
    path("vehicles/<uuid:pk>/edit/", machines.edit_vehicle, name="edit_vehicle"),
    path("vehicles/<uuid:pk>/remove/", machines.remove_vehicle, name="remove_vehicle"),
    path("vehicles/<uuid:pk>/new-revision/", new_record_pages.new_revision, name="new_revision"),
    path("vehicles/<uuid:pk>/difference/", machines.revision_difference, name="revision_difference"),
    path("vehicles/read-archive/", archive_pages.read_archive, name="read_archive"),
    path("vehicles/<uuid:pk>/tables/", archive_pages.vehicle_tables, name="vehicle_tables"),
    path("vehicles/<uuid:pk>/tables/<slug:name>.csv", archive_pages.vehicle_table, name="vehicle_table"),
    path("vehicles/<uuid:pk>/archive.zip", archive_pages.vehicle_archive, name="vehicle_archive"),
    path("vehicles/<uuid:pk>/season/", season_pages.season, name="vehicle_season"),
    path("vehicles/<uuid:pk>/doubts/", doubt_pages.vehicle_doubts, name="vehicle_doubts"),
    path("doubts/<slug:subject>/<uuid:pk>/mend/", doubt_pages.mend_doubt, name="mend_doubt"),
    path("doubts/<slug:subject>/<uuid:pk>/confirm/", doubt_pages.confirm_doubt, name="confirm_doubt"),
    path("doubts/<uuid:pk>/ask-again/", doubt_pages.ask_again, name="ask_again"),
    path("vehicles/<uuid:pk>/bench/", bench_pages.bench, name="vehicle_bench"),
    path("vehicles/<uuid:pk>/bench/card/", bench_pages.suggest_card, name="suggest_card"),
    path("revisions/<uuid:pk>/what-if/", bench_pages.what_if, name="what_if"),
    path("vehicles/<uuid:pk>/assumptions/", outings.assumptions, name="assumptions"),
    path("revisions/<uuid:pk>/", revision_page.revision, name="revision"),
    path("revisions/<uuid:pk>/edit/", machines.edit_revision, name="edit_revision"),
    path("revisions/<uuid:pk>/remove/", machines.remove_revision, name="remove_revision"),
    path("revisions/<uuid:pk>/new-fitting/", machines.new_fitting, name="new_fitting"),
    path("revisions/<uuid:pk>/new-modification/", modification_pages.new_modification, name="new_modification"),
    path("revisions/<uuid:pk>/release/", release_pages.revision_release, name="revision_release"),
    path("revisions/<uuid:pk>/release/accept/", release_pages.accept_point, name="accept_point"),
    path("revisions/<uuid:pk>/release/ride/", release_pages.release_to_ride, name="release_to_ride"),
    path("revisions/<uuid:pk>/wiring/", wiring_page.revision_wiring, name="revision_wiring"),
    path("revisions/<uuid:pk>/space/", outing_space.revision_space, name="revision_space"),
    path("revisions/<uuid:pk>/contacts/", space_pages.edit_contacts, name="edit_contacts"),
    path("revisions/<uuid:pk>/balance-test/<slug:kind>/", space_pages.new_balance_test, name="new_balance_test"),
    path("revisions/balance-tests/<uuid:pk>/edit/", space_pages.edit_balance_test, name="edit_balance_test"),
    path("revisions/balance-tests/<uuid:pk>/remove/", space_pages.remove_balance_test, name="remove_balance_test"),
    path("revisions/fittings/<uuid:pk>/edit/", machines.edit_fitting, name="edit_fitting"),
    path("revisions/fittings/<uuid:pk>/remove/", machines.remove_fitting, name="remove_fitting"),
    path("modifications/<uuid:pk>/edit/", modification_pages.edit_modification, name="edit_modification"),
    path("modifications/<uuid:pk>/remove/", modification_pages.remove_modification, name="remove_modification"),
    path("parts/", part_pages.parts, name="parts"),
    path("parts/new/", part_pages.new_part_kind, name="new_part_kind"),
    path("parts/new/<slug:category>/", new_record_pages.new_part, name="new_part"),
    path("parts/<uuid:pk>/", part_page.part, name="part"),
    path("parts/<uuid:pk>/edit/", part_pages.edit_part, name="edit_part"),
    path("parts/<uuid:pk>/remove/", part_pages.remove_part, name="remove_part"),
    path("failures/", failures.failures, name="failures"),
    path("failures/new/", failures.new_failure, name="new_failure"),
    path("failures/<uuid:pk>/", failures.failure, name="failure"),
    path("failures/<uuid:pk>/edit/", failures.edit_failure, name="edit_failure"),
    path("failures/<uuid:pk>/remove/", failures.remove_failure, name="remove_failure"),
    path("failures/<uuid:pk>/cause/", failures.failure_cause, name="failure_cause"),
    path("failures/<uuid:pk>/held/", failures.failure_held, name="failure_held"),
    path("failures/<uuid:pk>/close/", failures.close_failure, name="close_failure"),
    path("sign-offs/<uuid:pk>/remove/", failures.remove_sign_off, name="remove_sign_off"),
    path("failure-modes/", mode_pages.failure_modes, name="failure_modes"),
    path("failure-modes/<uuid:pk>/", mode_pages.failure_mode, name="failure_mode"),
    path("failure-modes/<uuid:pk>/rename/", mode_pages.rename_mode, name="rename_mode"),
    path("failure-modes/<uuid:pk>/join/", mode_pages.join_mode, name="join_mode"),
    path("failure-modes/take-apart/<int:pk>/", mode_pages.take_mode_apart, name="take_mode_apart"),
    path("modifications/<uuid:pk>/new-verification/", verification_pages.new_verification, name="new_verification"),
    path("verifications/<uuid:pk>/edit/", verification_pages.edit_verification, name="edit_verification"),
    path("verifications/<uuid:pk>/remove/", verification_pages.remove_verification, name="remove_verification"),
    path("photos/new/<slug:subject>/<uuid:pk>/", photos.new_photo, name="new_photo"),
    path("photos/<uuid:pk>/image/", image_files.photo_image, name="photo_image"),
    path("photos/<uuid:pk>/thumbnail/", image_files.photo_thumbnail, name="photo_thumbnail"),
    path("photos/<uuid:pk>/edit/", photos.edit_photo, name="edit_photo"),
    path("photos/<uuid:pk>/remove/", photos.remove_photo, name="remove_photo"),
    path("venues/", outings.venues, name="venues"),
    path("venues/new/", outings.new_venue, name="new_venue"),
    path("venues/<uuid:pk>/", outings.venue, name="venue"),
    path("venues/<uuid:pk>/edit/", outings.edit_venue, name="edit_venue"),
    path("venues/<uuid:pk>/remove/", outings.remove_venue, name="remove_venue"),
    path("venues/<uuid:pk>/new-gate/", outings.new_gate, name="new_gate"),
    path("gates/<uuid:pk>/edit/", outings.edit_gate, name="edit_gate"),
    path("gates/<uuid:pk>/remove/", outings.remove_gate, name="remove_gate"),
    path("sessions/", outings.sessions, name="sessions"),
    path("sessions/new/", form_pages.new_session, name="new_session"),
    path("sessions/<uuid:pk>/", evidence_pages.session, name="session"),
    path("sessions/<uuid:pk>/edit/", form_pages.edit_session, name="edit_session"),
    path("sessions/<uuid:pk>/remove/", outings.remove_session, name="remove_session"),
    path("sessions/<uuid:pk>/new-pass/", form_pages.new_pass, name="new_pass"),
    path("sessions/<uuid:pk>/time-video/", outings.time_video, name="time_video"),
    path("sessions/<uuid:pk>/new-reading/", form_pages.new_reading, name="new_reading"),
    path("sessions/<uuid:pk>/new-log/", logs.new_log, name="new_log"),
    path("sessions/logs/<uuid:pk>/", logs.log, name="log"),
    path("sessions/logs/<uuid:pk>/original/", logs.log_original, name="log_original"),
    path("sessions/logs/<uuid:pk>/columns/", column_pages.log_columns, name="log_columns"),
    path("sessions/logs/<uuid:pk>/read/", logs.read_log_again, name="read_log_again"),
    path("sessions/logs/<uuid:pk>/cancel-import/", logs.cancel_import, name="cancel_import"),
    path("sessions/logs/<uuid:pk>/import-progress/", logs.import_progress, name="import_progress"),
    path("sessions/logs/<uuid:pk>/place/", recordings_pages.place_log, name="place_log"),
    path("sessions/logs/<uuid:pk>/remove/", logs.remove_log, name="remove_log"),
    path("sessions/<uuid:pk>/recordings/", recordings_pages.recordings, name="recordings"),
    path("sessions/<uuid:pk>/recordings/window/", recordings_pages.recordings_window, name="recordings_window"),
    path("sessions/passes/<uuid:pk>/edit/", form_pages.edit_pass, name="edit_pass"),
    path("sessions/passes/<uuid:pk>/remove/", outings.remove_pass, name="remove_pass"),
    path("sessions/readings/<uuid:pk>/edit/", form_pages.edit_reading, name="edit_reading"),
    path("sessions/readings/<uuid:pk>/remove/", outings.remove_reading, name="remove_reading"),
    path("field/", field_pages.field, name="field"),
    path("field/manifest.webmanifest", field_pages.field_manifest, name="field_manifest"),
    path("field/read-in/", field_pages.import_unsent_file, name="read_in"),
    path("service-worker.js", field_pages.service_worker, name="service_worker"),
    path("test-cards/", card_pages.test_cards, name="test_cards"),
    path("test-cards/new/", card_pages.new_test_card, name="new_test_card"),
    path("test-cards/<uuid:pk>/", card_pages.test_card, name="test_card"),
    path("test-cards/<uuid:pk>/edit/", card_pages.edit_test_card, name="edit_test_card"),
    path("test-cards/<uuid:pk>/remove/", card_pages.remove_test_card, name="remove_test_card"),
    path("revisions/<uuid:pk>/report/", share_pages.revision_report, name="revision_report"),
    path("share/", share_pages.share, name="share"),
    path("share/<int:pk>/revoke/", share_pages.revoke_share, name="revoke_share"),
    path("shared/<slug:token>/", share_pages.shared, name="shared"),
    path("shared/<slug:token>/photo/<uuid:pk>/", share_pages.shared_photo, name="shared_photo"),
    path("compare/", compare_pages.compare, name="compare"),
    path("trials/", trial_pages.trials, name="trials"),
    path("trials/new/", trial_pages.new_trial, name="new_trial"),
    path("trials/<uuid:pk>/", trial_pages.trial, name="trial"),
    path("trials/<uuid:pk>/edit/", trial_pages.edit_trial, name="edit_trial"),
    path("trials/<uuid:pk>/close/", trial_pages.close_trial, name="close_trial"),
    path("trials/<uuid:pk>/remove/", trial_pages.remove_trial, name="remove_trial"),
    path("trials/<uuid:pk>/card/", trial_cards.trial_card, name="trial_card"),
    path("methods/", method_pages.methods, name="methods"),
    path("methods/<str:name>/", method_pages.method, name="method"),
    path("help/", help_pages.help_index, name="help"),
    path("help/<slug:slug>/", help_pages.help_page, name="help_page"),
    path("connection/", connection_pages.connection, name="connection"),
    path("connection/seen/", connection_pages.seen, name="connection_seen"),
    path("account/", account_pages.account, name="account"),
    path("devices/", device_pages.devices, name="devices"),
    path("devices/<int:pk>/revoke/", device_pages.revoke_device, name="revoke_device"),
    path("people/", people.people, name="people"),
    path("people/<int:pk>/", people.person, name="person"),
    path("people/invitations/<int:pk>/end/", people.end_invitation, name="end_invitation"),
    path("people/access-log/", people.access_log, name="access_log"),
    path("upkeep/", upkeep_pages.upkeep, name="upkeep"),
    path("health/", upkeep_pages.health, name="health"),
    path("invitation/<slug:token>/", account_pages.accept_invitation, name="invitation"),
    path("new-password/<slug:uidb64>/<slug:token>/", sign_in_pages.NewPassword.as_view(), name="new_password"),
    path("sign-in/", sign_in_pages.SignIn.as_view(), name="sign_in"),
    path("sign-out/", sign_in_pages.SignOut.as_view(), name="sign_out"),
    path("api/v1/", include("buildlog.config.api_urls")),
    path("admin/", admin.site.urls),
]
if settings.DEBUG:
    urlpatterns.append(path("specimen/", specimen_page.specimen, name="specimen"))
