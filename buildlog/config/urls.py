"""Every address of the site, in one place."""

from django.contrib import admin
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import include, path

from buildlog import photo_files
from buildlog.pages import accounts, failures, methods, parts, photos, vehicles
from sessions import compare_pages
from sessions import pages as outings

urlpatterns = [
    path("", vehicles.home, name="home"),
    path("more/", vehicles.more, name="more"),
    path("vehicles/new/", vehicles.new_vehicle, name="new_vehicle"),
    path("vehicles/<uuid:pk>/", vehicles.vehicle, name="vehicle"),
    path("vehicles/<uuid:pk>/edit/", vehicles.edit_vehicle, name="edit_vehicle"),
    path("vehicles/<uuid:pk>/remove/", vehicles.remove_vehicle, name="remove_vehicle"),
    path("vehicles/<uuid:pk>/new-revision/", vehicles.new_revision, name="new_revision"),
    path("vehicles/<uuid:pk>/difference/", vehicles.revision_difference, name="revision_difference"),
    path("vehicles/<uuid:pk>/assumptions/", outings.assumptions, name="assumptions"),
    path("revisions/<uuid:pk>/", vehicles.revision, name="revision"),
    path("revisions/<uuid:pk>/edit/", vehicles.edit_revision, name="edit_revision"),
    path("revisions/<uuid:pk>/remove/", vehicles.remove_revision, name="remove_revision"),
    path("revisions/<uuid:pk>/new-fitting/", vehicles.new_fitting, name="new_fitting"),
    path("revisions/<uuid:pk>/new-modification/", vehicles.new_modification, name="new_modification"),
    path("revisions/fittings/<uuid:pk>/edit/", vehicles.edit_fitting, name="edit_fitting"),
    path("revisions/fittings/<uuid:pk>/remove/", vehicles.remove_fitting, name="remove_fitting"),
    path("modifications/<uuid:pk>/edit/", vehicles.edit_modification, name="edit_modification"),
    path("modifications/<uuid:pk>/remove/", vehicles.remove_modification, name="remove_modification"),
    path("parts/", parts.parts, name="parts"),
    path("parts/new/<slug:category>/", parts.new_part, name="new_part"),
    path("parts/<uuid:pk>/", parts.part, name="part"),
    path("parts/<uuid:pk>/edit/", parts.edit_part, name="edit_part"),
    path("parts/<uuid:pk>/remove/", parts.remove_part, name="remove_part"),
    path("failures/", failures.failures, name="failures"),
    path("failures/new/", failures.new_failure, name="new_failure"),
    path("failures/<uuid:pk>/", failures.failure, name="failure"),
    path("failures/<uuid:pk>/edit/", failures.edit_failure, name="edit_failure"),
    path("failures/<uuid:pk>/remove/", failures.remove_failure, name="remove_failure"),
    path("photos/new/<slug:subject>/<uuid:pk>/", photos.new_photo, name="new_photo"),
    path("photos/<uuid:pk>/image/", photo_files.photo_image, name="photo_image"),
    path("photos/<uuid:pk>/thumbnail/", photo_files.photo_thumbnail, name="photo_thumbnail"),
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
    path("sessions/new/", outings.new_session, name="new_session"),
    path("sessions/<uuid:pk>/", outings.session, name="session"),
    path("sessions/<uuid:pk>/edit/", outings.edit_session, name="edit_session"),
    path("sessions/<uuid:pk>/remove/", outings.remove_session, name="remove_session"),
    path("sessions/<uuid:pk>/new-pass/", outings.new_pass, name="new_pass"),
    path("sessions/<uuid:pk>/new-reading/", outings.new_reading, name="new_reading"),
    path("sessions/passes/<uuid:pk>/edit/", outings.edit_pass, name="edit_pass"),
    path("sessions/passes/<uuid:pk>/remove/", outings.remove_pass, name="remove_pass"),
    path("sessions/readings/<uuid:pk>/edit/", outings.edit_reading, name="edit_reading"),
    path("sessions/readings/<uuid:pk>/remove/", outings.remove_reading, name="remove_reading"),
    path("compare/", compare_pages.compare, name="compare"),
    path("methods/", methods.methods, name="methods"),
    path("account/", accounts.account, name="account"),
    path("people/", accounts.people, name="people"),
    path("invitation/<slug:token>/", accounts.accept_invitation, name="invitation"),
    path(
        "sign-in/",
        login_not_required(LoginView.as_view(template_name="buildlog/sign_in.html", redirect_authenticated_user=True)),
        name="sign_in",
    ),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
    path("api/v1/", include("buildlog.config.api_urls")),
    path("admin/", admin.site.urls),
]
