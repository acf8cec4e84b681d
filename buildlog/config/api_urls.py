"""Every address of the API."""

from django.urls import path
from drf_spectacular.views import SpectacularAPIView
from rest_framework.routers import SimpleRouter

from buildlog.failures import api as failures
from buildlog.machines import api as machines
from buildlog.people.roles import ByRole
from buildlog.photos import api as photos
from buildlog.upkeep import api as upkeep
from sessions.bench import api as bench
from sessions.evidence import api as evidence
from sessions.field import pages as field_pages
from sessions.logs import api as logs
from sessions.outings import api as outings
from sessions.outings import voice_note_api as voice_notes
from sessions.trials import api as trials

router = SimpleRouter(use_regex_path=False)
for kind, viewset in {
    "vehicles": machines.VehicleViewSet,
    "revisions": machines.RevisionViewSet,
    "parts": machines.PartViewSet,
    "fittings": machines.FittingViewSet,
    "balance-tests": machines.BalanceTestViewSet,
    "individuals": upkeep.IndividualViewSet,
    "individual-fittings": upkeep.IndividualFittingViewSet,
    "upkeep-items": upkeep.UpkeepItemViewSet,
    "upkeep-checks": upkeep.UpkeepCheckViewSet,
    "modifications": failures.ModificationViewSet,
    "failure-modes": failures.FailureModeViewSet,
    "failures": failures.FailureViewSet,
    "verifications": failures.VerificationViewSet,
    "sign-offs": failures.SignOffViewSet,
    "venues": outings.VenueViewSet,
    "gates": outings.GateViewSet,
    "sessions": outings.SessionViewSet,
    "passes": outings.PassViewSet,
    "readings": outings.ReadingViewSet,
    "go-no-go-checks": outings.GoNoGoCheckViewSet,
    "test-cards": bench.TestCardViewSet,
    "test-card-items": bench.TestCardItemViewSet,
    "track-parts": outings.TrackPartViewSet,
    "mark-taps": outings.MarkTapViewSet,
    "instruments": logs.InstrumentViewSet,
    "formula-channels": logs.FormulaChannelViewSet,
    "trials": trials.TrialViewSet,
    "photos": photos.PhotoViewSet,
    "voice-notes": voice_notes.VoiceNoteViewSet,
}.items():
    router.register(kind, viewset, basename=f"api-{kind}")

urlpatterns = [
    *router.urls,
    path("sessions/<uuid:pk>/results/", evidence.SessionResults.as_view(), name="api-session-results"),
    path("revisions/<uuid:pk>/limits/", bench.RevisionLimits.as_view(), name="api-revision-limits"),
    path("vehicles/<uuid:pk>/comparison/", bench.VehicleComparison.as_view(), name="api-vehicle-comparison"),
    path("vehicles/<uuid:pk>/bench/", bench.VehicleBench.as_view(), name="api-vehicle-bench"),
    path("vehicles/<uuid:pk>/upkeep/", upkeep.VehicleUpkeep.as_view(), name="api-vehicle-upkeep"),
    path("field/", field_pages.Reference.as_view(), name="field_reference"),
    path("field/greeting/", field_pages.Greeting.as_view(), name="field_greeting"),
    path("field/clock/", field_pages.Clock.as_view(), name="field_clock"),
    path("field/still-there/", field_pages.StillThere.as_view(), name="field_still_there"),
    path("field/records/", field_pages.Records.as_view(), name="field_records"),
    path("schema/", SpectacularAPIView.as_view(permission_classes=[ByRole]), name="api-schema"),
]
