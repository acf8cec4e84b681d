"""Pages of forms, and changes that come in by the API while they are open."""

import json

SESSION, PASS, CARD = "/sessions/{}/edit/", "/sessions/passes/{}/edit/", "/test-cards/{}/edit/"


def by_the_api(client, kind, record, **changes):
    path = f"/api/v1/{kind}/{record.pk}/"
    data = {**changes, "version": client.get(path).json()["version"]}
    answer = client.patch(path, json.dumps(data), content_type="application/json")
    assert answer.status_code == 200, answer.content
