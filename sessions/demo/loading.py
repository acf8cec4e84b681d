"""Loading the invented season, and removing it again."""

from __future__ import annotations

import random
from datetime import UTC, datetime, time, timedelta

from django.db import transaction

from buildlog.failures import loop as failure_loop
from buildlog.failures.models import Cause, Evidence, Failure, FailureMode, Modification, SignOff, Verification
from buildlog.machines.individuals import Individual, IndividualFitting
from buildlog.machines.models import Fitting, Part, Revision, Vehicle
from buildlog.photos.pictures import store_picture
from buildlog.records import change_log
from buildlog.upkeep.models import UpkeepCheck, UpkeepItem
from sessions.bench.models import TestCard, TestCardItem
from sessions.demo import instruments, pictures, season
from sessions.demo.balance import weigh_and_tilt
from sessions.demo.ride import Day, Ride, simulate
from sessions.demo.voice import note_voice
from sessions.evidence.season import Season
from sessions.outings.models import Gate, GateMark, MarkTap, Pass, Reading, Session, Venue
from sessions.outings.models.outings import STANDING_START
from sessions.trials.decisions import keep_decisions
from sessions.trials.measure_columns import MeasureColumns
from sessions.trials.models import Trial
from sessions.trials.plans import keep_plan, own_answers

SEED = 20251206
SESSIONS_PER_REVISION = 4
MARKS_M = (0.0, 50.0, 100.0)
PLANTED_DOUBT = (3, 1)
"""The revision, and which of its sessions, whose ice was typed in mm where cm are asked for: a doubt to answer."""
SURFACES = {"clear_ice": 1.0, "snow_on_ice": 1.35, "white_ice": 1.1}


class DemoInUse(Exception):
    """Real records depend on the demo; the message says which."""


def load() -> bool:
    """Store the season. Returns False if it is there already."""
    if Vehicle.objects.filter(invented=True).exists():
        return False
    chance = random.Random(SEED)
    with transaction.atomic():
        vehicle = Vehicle.objects.create(name=season.VEHICLE, purpose=season.PURPOSE, invented=True)
        venue = Venue.objects.create(name=season.VENUE, notes="Invented.", invented=True)
        gate = Gate.objects.create(venue=venue, name="North straight", u_distance_m=0.1)
        GateMark.objects.bulk_create(GateMark(gate=gate, position_m=position) for position in MARKS_M)
        parts = {
            name: Part.objects.create(
                name=f"{name} (invented)", category=category, mass_kg=mass, specification=specification, invented=True
            )
            for name, (category, mass, specification) in season.PARTS.items()
        }
        piece = Individual.objects.create(part=parts[season.PIECE[0]], serial=season.PIECE[1], notes="Invented.")
        parent: Revision | None = None
        failures: dict[str, list[Failure]] = {}
        trials: list[Trial] = []
        for plan in season.SEASON:
            parent = _revision(vehicle, plan, parent, parts)
            _modification(parent, plan, failures)
            IndividualFitting.objects.create(individual=piece, fitting=parent.fittings.get(part=piece.part))
            trials += [_trial(parent, *asked) for asked in plan.trials]
            sessions = [_session(parent, plan, index, venue, gate, chance) for index in range(SESSIONS_PER_REVISION)]
            _failures(parent, plan.number, sessions, parts, failures)
        assert parent is not None
        _photos(parent, failures)
        _test_card(parent)
        weigh_and_tilt(Revision.objects.select_related("vehicle").get(pk=parent.pk))
        _verifications(vehicle)
        _upkeep(vehicle, parts)
        _call_held(vehicle)
        _plan_and_decide(vehicle, trials)
    return True


def _revision(vehicle: Vehicle, plan: season.RevisionPlan, parent: Revision | None, parts: dict[str, Part]) -> Revision:
    revision = Revision.objects.create(
        vehicle=vehicle,
        number=plan.number,
        parent=parent,
        date=plan.date,
        status=plan.status,
        purpose=plan.purpose,
        contacts=Revision.Contacts.TWO_FRONT_ONE_REAR,
        track_width_m=plan.track_width_m,
        wheelbase_m=1.45,
        rolling_circumference_m=1.29,
        drive_ratio=plan.drive_ratio,
        seat_x_m=season.SEAT[0],
        seat_z_m=season.SEAT[1],
    )
    Fitting.objects.bulk_create(
        Fitting(
            revision=revision,
            part=parts[name],
            quantity=quantity,
            series=series,
            parallel=parallel,
            x_m=season.PLACES[parts[name].category][0],
            z_m=season.PLACES[parts[name].category][1],
        )
        for name, (quantity, series, parallel) in plan.parts.items()
    )
    return revision


def _modification(revision: Revision, plan: season.RevisionPlan, failures: dict[str, list[Failure]]) -> None:
    if plan.modification is None:
        return
    title, reason, measure, direction, amount = plan.modification
    modification = Modification.objects.create(
        revision=revision,
        title=title,
        reason=reason,
        expected_measure=measure,
        expected_direction=direction,
        expected_amount_percent=amount,
    )
    modification.answers.set([failure for name in plan.answers for failure in failures.get(name, [])])


def _trial(revision: Revision, measure: str, note: str) -> Trial:
    """Opened with a revision that has a parent, before its first day."""
    assert revision.parent_id is not None
    trial = Trial(
        revision=revision, against_id=revision.parent_id, measure=measure, note=note, opened_on=revision.date
    )  # fmt: skip
    trial.settle_what_counts()
    trial.full_clean()
    trial.save(force_insert=True)
    return trial


def _plan_and_decide(vehicle: Vehicle, trials: list[Trial]) -> None:
    """What the plans said before the first day, and what the rule has decided since."""
    for trial in trials:
        keep_plan(trial)
    season = Season.beyond_doubt(Vehicle.objects.get(pk=vehicle.pk))
    keep_decisions(own_answers(season, MeasureColumns(season)))


def _photos(newest: Revision, failures: dict[str, list[Failure]]) -> None:
    for subject, picture, caption in season.PHOTOS:
        shown = {"failure": failures[subject][0]} if isinstance(subject, str) else {"revision": newest}
        store_picture(getattr(pictures, picture)(), caption=caption, **shown)


def _test_card(newest: Revision) -> None:
    """What the next outing should find out."""
    title, limits, stops_the_day, items = season.TEST_CARD
    card = TestCard.objects.create(revision=newest, title=title, limits=limits, stops_the_day=stops_the_day)
    for position, (what, why) in enumerate(items, 1):
        TestCardItem.objects.create(card=card, position=position, what=what, why=why)


def _verifications(vehicle: Vehicle) -> None:
    """How fixes were shown other than by riding."""
    for title, kind, day, finding in season.VERIFICATIONS:
        Verification.objects.create(
            modification=Modification.objects.get(revision__vehicle=vehicle, title=title),
            kind=kind,
            done_on=day,
            done_by="Ilo (invented)",
            finding=finding,
        )


def _upkeep(vehicle: Vehicle, parts: dict[str, Part]) -> None:
    """What is done again and again, and when it was done last."""
    for kind, title, part, torque_nm, every_m, day, by, found_nm, seen in season.UPKEEP:
        item = UpkeepItem.objects.create(
            vehicle=vehicle, part=parts[part], kind=kind, title=title, torque_nm=torque_nm, every_m=every_m
        )
        UpkeepCheck.objects.create(item=item, done_on=day, done_by=by, torque_nm=found_nm, finding=seen)


def _session(
    revision: Revision, plan: season.RevisionPlan, index: int, venue: Venue, gate: Gate, chance: random.Random
) -> Session:
    """One outing in the weather of its day."""
    start = datetime.combine(plan.date, time(10, 30), UTC) + timedelta(days=3 * index, minutes=chance.randrange(180))
    surface = chance.choices(list(SURFACES), weights=[5, 3, 2])[0]
    day = Day(
        air_temperature_c=round(chance.uniform(-19.0, -1.0), 1),
        wind_mps=round(chance.uniform(0.0, 5.0), 1),
        rolling_factor=SURFACES[surface] * chance.uniform(0.95, 1.05),
        start_charge=chance.uniform(0.96, 1.0),
    )
    rider = chance.choice(list(season.CREW))
    ride = simulate(plan.build, day, chance.randrange(4, 8), chance.uniform(600.0, 1400.0), MARKS_M)
    ice_cm = round(chance.uniform(24.0, 46.0))
    session = Session.objects.create(
        revision=revision,
        venue=venue,
        started_at=start,
        ended_at=start + timedelta(seconds=ride.runtime_s * 2.2),
        rider_mass_kg=season.CREW[rider],
        surface=surface,
        ice_thickness_cm=10 * ice_cm if (plan.number, index) == PLANTED_DOUBT else ice_cm,
        air_temperature_c=day.air_temperature_c,
        wind_speed_mps=day.wind_mps,
        rest_voltage_start_v=round(ride.rest_start_v + chance.gauss(0, 0.05), 1),
        rest_voltage_end_v=round(ride.rest_end_v + chance.gauss(0, 0.05), 1),
        # Sometimes the counter was not read, sometimes there was a meter: as in life.
        charge_used_ah=round(ride.charge_ah * chance.gauss(1, 0.01), 1) if chance.random() > 0.15 else None,
        energy_used_wh=round(ride.energy_wh * chance.gauss(1, 0.01)) if chance.random() > 0.6 else None,
        runtime_s=round(ride.runtime_s),
        distance_m=round(ride.distance_m * chance.gauss(1, 0.01), -1),
        distance_method=Session.DistanceMethod.WHEEL,
        notes=f"{rider} rode. Invented.",
    )
    passes = _passes(session, index, gate, ride, chance)
    by_two_phones = passes[-2:] if (plan.number, index) == season.BY_TWO_PHONES else []
    Pass.objects.bulk_create(passes[: len(passes) - len(by_two_phones)])
    for timed in by_two_phones:
        _mark_taps(timed)
    Reading.objects.bulk_create(_readings(session, ride, day, chance))
    if (plan.number, index) == season.RECORDED:
        instruments.record(session, ride)
    if by_two_phones:
        note_voice(session)
    return session


def _passes(session: Session, index: int, gate: Gate, ride: Ride, chance: random.Random) -> list[Pass]:
    rows = []
    is_recorded = (session.revision.number, index) in (season.RECORDED, season.BY_TWO_PHONES)
    for number, (begun_s, times) in enumerate(ride.passes, 1):
        video = chance.random() < 0.5
        error_s = 0.01 if video else 0.12
        split, whole = (round(time_s + chance.gauss(0, error_s), 2) for time_s in times[1:])
        braked = chance.random() < 0.06
        rows.append(
            Pass(
                session=session,
                gate=gate,
                number=number,
                time_into_session_s=round(begun_s, 1) if is_recorded else None,
                sequence=round(1000 * begun_s) if is_recorded else None,
                direction="out" if number % 2 else "back",
                method="video" if video else "stopwatch",
                frames_per_s=60.0 if video else None,
                duration_s=whole,
                split_times_s=[split] if video else [],
                valid=not braked,
                invalid_reason="braked before the last mark" if braked else "",
            )
        )
    if (session.revision.number, index) == season.FROM_REST:
        rows.append(_from_rest(rows[-1]))
    return rows


def _from_rest(flying: Pass) -> Pass:
    """A standing start after a flying pass, the other way: invented, as the rest of the demo."""
    return Pass(
        session=flying.session,
        gate=flying.gate,
        number=flying.number + 1,
        direction="back" if flying.direction == "out" else "out",
        start=Pass.Start.STANDING,
        method=Pass.Method.STOPWATCH,
        duration_s=round(flying.duration_s + season.FROM_REST_LONGER_S, 2),
        valid=False,
        invalid_reason=STANDING_START,
    )


def _mark_taps(timed: Pass) -> None:
    """What two phones at the ends of its gate would have sent; the pass is made of them as any other."""
    begun = timed.session.started_at + timedelta(seconds=timed.time_into_session_s or 0.0)
    for is_second, at in enumerate((begun, begun + timedelta(seconds=timed.duration_s))):
        MarkTap.objects.create(
            session=timed.session,
            gate=timed.gate,
            at_last_mark=(timed.direction == Pass.Direction.OUT) == bool(is_second),
            at=at,
            u_s=season.THUMB_S,
        )


def _readings(session: Session, ride: Ride, day: Day, chance: random.Random) -> list[Reading]:
    """A look at the instruments now and then, as a rider would."""
    count = chance.randrange(4, 8)
    rows = []
    for index in range(1, count + 1):
        span = len(ride.samples) / count
        sample = ride.samples[min(len(ride.samples) - 1, int(span * (index - chance.uniform(0.05, 0.95))))]
        time_s, voltage_v, current_a, charge_ah, motor_c, distance_m = sample
        rows.append(
            Reading(
                session=session,
                time_into_session_s=round(time_s),
                voltage_v=round(voltage_v + chance.gauss(0, 0.05), 1),
                current_a=round(current_a + chance.gauss(0, 0.5), 1),
                charge_used_ah=round(charge_ah, 1),
                motor_temperature_c=round(motor_c),
                controller_temperature_c=round(day.air_temperature_c + 0.7 * (motor_c - day.air_temperature_c)),
                battery_temperature_c=round(day.air_temperature_c + 12 * time_s / (time_s + 900)),
                distance_m=round(distance_m, -1),
            )
        )
    return rows


def _failures(
    revision: Revision, number: int, sessions: list[Session], parts: dict[str, Part], failures: dict[str, list[Failure]]
) -> None:
    for row in season.FAILURES:
        of_revision, index, name, part, severity, effect, share, cause, confirmed = row
        if of_revision != number:
            continue
        session = sessions[index]
        runtime_s, distance_m = session.runtime_s or 0.0, session.distance_m or 0.0
        failure = Failure.objects.create(
            revision=revision,
            session=session,
            happened_at=session.started_at + timedelta(seconds=share * runtime_s),
            time_into_session_s=round(share * runtime_s),
            distance_into_session_m=round(share * distance_m, -1),
            mode=FailureMode.called(name),
            part=parts[part] if part else None,
            severity=severity,
            effect=effect,
            cause=_cause(revision.vehicle, cause, confirmed),
            conditions="Invented.",
        )
        failures.setdefault(name, []).append(failure)


def _cause(vehicle: Vehicle, whys_and_cause: tuple[str, ...], confirmed: bool) -> Cause | None:
    """The last of the whys is the cause; failures with the same one share it."""
    if not whys_and_cause:
        return None
    *whys, statement = whys_and_cause
    cause, created = Cause.objects.get_or_create(
        vehicle=vehicle, statement=statement, defaults={"whys": whys, "confirmed": confirmed}
    )
    if created and confirmed:
        Evidence.objects.create(cause=cause, excerpt="Invented: seen on the bench after the session.")
    return cause


def _call_held(vehicle: Vehicle) -> None:
    """What riding or other evidence shows to have held is called so, as its owner would: each mode once."""
    signed = set()
    for failure in Failure.objects.filter(revision__vehicle=vehicle).select_related("revision"):
        standing = failure_loop.standing_of(failure)
        if failure.mode_id not in signed and standing.may_be_held and standing.shown is not None:
            by_riding = "Invented: ridden far enough without it."
            why = "Invented: calculated, and inspected after riding." if standing.shown.by else by_riding
            failure_loop.sign_held(failure, why)
            signed.add(failure.mode_id)
    signed_at = datetime.combine(season.SIGNED_ON, time(18, 0), UTC)
    SignOff.objects.filter(vehicle=vehicle).update(signed_at=signed_at)


def remove() -> bool:
    """Remove exactly the invented records. Returns False if there are none."""
    vehicles = Vehicle.objects.filter(invented=True)
    if not vehicles.exists():
        return False
    with transaction.atomic():
        for vehicle in vehicles:
            change_log.note_removal(vehicle, {})
        real = Session.objects.filter(venue__invented=True).exclude(revision__vehicle__invented=True).count()
        fitted = Fitting.objects.filter(part__invented=True).exclude(revision__vehicle__invented=True).count()
        if real or fitted:
            raise DemoInUse(
                f"The demo stays: {real} sessions of your own were ridden at its venue and {fitted} of its parts are "
                "fitted to your machines. Move those first."
            )
        modes = list(FailureMode.objects.filter(failures__revision__vehicle__invented=True).distinct())
        Session.objects.filter(revision__vehicle__invented=True).delete()
        Failure.objects.filter(revision__vehicle__invented=True).delete()
        for revision in Revision.objects.filter(vehicle__invented=True).order_by("-number"):
            revision.delete()
        vehicles.delete()
        Venue.objects.filter(invented=True).delete()
        Individual.objects.filter(part__invented=True).delete()
        Part.objects.filter(invented=True).delete()
        FailureMode.objects.filter(pk__in=[mode.pk for mode in modes], failures__isnull=True).delete()
    return True
