"""Every address of the API."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView
from rest_framework.routers import SimpleRouter

from buildlog import api
from buildlog.roles import ByRole
from sessions import api as outings
from sessions import field_pages

router = SimpleRouter(use_regex_path=False)
for kind, viewset in {
    "vehicles": api.VehicleViewSet,
    "revisions": api.RevisionViewSet,
    "parts": api.PartViewSet,
    "fittings": api.FittingViewSet,
    "modifications": api.ModificationViewSet,
    "failure-modes": api.FailureModeViewSet,
    "failures": api.FailureViewSet,
    "venues": outings.VenueViewSet,
    "gates": outings.GateViewSet,
    "sessions": outings.SessionViewSet,
    "passes": outings.PassViewSet,
    "readings": outings.ReadingViewSet,
    "go-no-go-checks": outings.GoNoGoCheckViewSet,
    "test-cards": outings.TestCardViewSet,
    "test-card-items": outings.TestCardItemViewSet,
    "track-parts": outings.TrackPartViewSet,
}.items():
    router.register(kind, viewset, basename=f"api-{kind}")

urlpatterns = [
    *router.urls,
    path("photos/", api.PhotoViewSet.as_view({"get": "list", "post": "create"}), name="api-photos-list"),
    path(
        "photos/<uuid:pk>/",
        api.PhotoViewSet.as_view({"get": "retrieve", "put": "update", "delete": "destroy"}),
        name="api-photos-detail",
    ),
    path("field/", field_pages.Reference.as_view(), name="field_reference"),
    path("field/greeting/", field_pages.Greeting.as_view(), name="field_greeting"),
    path("field/still-there/", field_pages.StillThere.as_view(), name="field_still_there"),
    path("schema/", SpectacularAPIView.as_view(permission_classes=[ByRole]), name="api-schema"),
]
