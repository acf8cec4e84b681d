import gc

from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    # django.contrib.sessions owns the label "sessions".
    label = "test_sessions"
    verbose_name = "Test sessions"

    def ready(self) -> None:
        from buildlog.failures.exposure import register_doubts
        from buildlog.failures.models import Failure
        from buildlog.machines import going_to_ride
        from buildlog.machines.models import Revision
        from buildlog.records import history
        from buildlog.records.doubts import register
        from buildlog.storage.stored_files import remove_files_with
        from sessions.bench.release import GATE
        from sessions.evidence.doubtful_rides import doubtful_rides
        from sessions.evidence.doubts import doubts_in_api, doubts_of_many
        from sessions.logs.models import Log
        from sessions.outings.models import Pass, Reading, Session, VoiceNote

        remove_files_with(Log)
        remove_files_with(VoiceNote)
        history.register_all(self)
        register_doubts(doubtful_rides)
        going_to_ride.register(GATE)
        for model in (Revision, Session, Pass, Reading, Failure):
            register(model, doubts_in_api, doubts_of_many)
        # All of the program is loaded and stays, so no later search for garbage goes through it again. Workers that
        # are forked share its memory for longer, too.
        gc.freeze()
        gc.enable()
