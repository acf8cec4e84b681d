"""What is in doubt, and the answer that it is so."""

from buildlog.models import Vehicle
from sessions.evidence.doubts import doubts_of_machine


def keys(vehicle):
    vehicle = Vehicle.objects.get(pk=vehicle.pk)
    return {(open_doubt.subject, open_doubt.doubt.key) for open_doubt in doubts_of_machine(vehicle).listed()}


def confirm(client, session, reason="Downhill, with a tow.", rules=("mean_speed_over_best_pass", "mean_speed_range")):
    return client.post(f"/doubts/session/{session.pk}/confirm/", {"rule": list(rules), "reason": reason}, follow=True)
