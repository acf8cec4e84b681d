from django.db import migrations, models

from buildlog.quantities.bounds_migration import set_aside_what_is_beyond
from buildlog.quantities.joined_steps import ConstraintsTogether


BOUNDS = [
    migrations.RemoveConstraint(
        model_name='failure',
        name='failure_time_into_session_is_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='failure',
        name='failure_distance_into_session_is_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='part',
        name='part_mass_is_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_track_width_m_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_wheelbase_m_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_rolling_circumference_m_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_drive_ratio_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_mass_without_rider_kg_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_cg_height_m_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_seat_x_m_within_20_m',
    ),
    migrations.RemoveConstraint(
        model_name='revision',
        name='revision_seat_z_m_from_0_to_5_m',
    ),
    migrations.AddConstraint(
        model_name='failure',
        constraint=models.CheckConstraint(condition=models.Q(('time_into_session_s__isnull', True), models.Q(('time_into_session_s__gte', 0.0), ('time_into_session_s__lte', 1000000.0)), _connector='OR'), name='failure_time_into_session_s_within_bounds', violation_error_message='Time into the session cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='failure',
        constraint=models.CheckConstraint(condition=models.Q(('distance_into_session_m__isnull', True), models.Q(('distance_into_session_m__gte', 0.0), ('distance_into_session_m__lte', 10000000.0)), _connector='OR'), name='failure_distance_into_session_m_within_bounds', violation_error_message='Distance into the session cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='fitting',
        constraint=models.CheckConstraint(condition=models.Q(('x_m__isnull', True), models.Q(('x_m__gte', -20), ('x_m__lte', 20)), _connector='OR'), name='fitting_x_m_within_bounds', violation_error_message='Forward of the rear contact cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='fitting',
        constraint=models.CheckConstraint(condition=models.Q(('z_m__isnull', True), models.Q(('z_m__gte', -1), ('z_m__lte', 10)), _connector='OR'), name='fitting_z_m_within_bounds', violation_error_message='Height above ground cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='part',
        constraint=models.CheckConstraint(condition=models.Q(('mass_kg__isnull', True), models.Q(('mass_kg__gte', 0.0), ('mass_kg__lte', 5000)), _connector='OR'), name='part_mass_kg_within_bounds', violation_error_message='Mass of one cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('track_width_m__isnull', True), models.Q(('track_width_m__gt', 0.0), ('track_width_m__lte', 10)), _connector='OR'), name='revision_track_width_m_within_bounds', violation_error_message='Track width cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('wheelbase_m__isnull', True), models.Q(('wheelbase_m__gt', 0.0), ('wheelbase_m__lte', 20)), _connector='OR'), name='revision_wheelbase_m_within_bounds', violation_error_message='Wheelbase cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('rolling_circumference_m__isnull', True), models.Q(('rolling_circumference_m__gt', 0.0), ('rolling_circumference_m__lte', 20)), _connector='OR'), name='revision_rolling_circumference_m_within_bounds', violation_error_message='Rolling circumference of the driven wheel cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('drive_ratio__isnull', True), models.Q(('drive_ratio__gt', 0.0), ('drive_ratio__lte', 200)), _connector='OR'), name='revision_drive_ratio_within_bounds', violation_error_message='Drive ratio (motor turns per wheel turn) cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('mass_without_rider_kg__isnull', True), models.Q(('mass_without_rider_kg__gt', 0.0), ('mass_without_rider_kg__lte', 5000)), _connector='OR'), name='revision_mass_without_rider_kg_within_bounds', violation_error_message='Mass without rider cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('cg_height_m__isnull', True), models.Q(('cg_height_m__gt', 0.0), ('cg_height_m__lte', 5)), _connector='OR'), name='revision_cg_height_m_within_bounds', violation_error_message='Height of the centre of gravity, measured, without rider cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('seat_x_m__isnull', True), models.Q(('seat_x_m__gte', -20), ('seat_x_m__lte', 20)), _connector='OR'), name='revision_seat_x_m_within_bounds', violation_error_message='Seat, forward of the rear contact cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='revision',
        constraint=models.CheckConstraint(condition=models.Q(('seat_z_m__isnull', True), models.Q(('seat_z_m__gte', 0), ('seat_z_m__lte', 5)), _connector='OR'), name='revision_seat_z_m_within_bounds', violation_error_message='Seat, height above ground cannot be that.'),
    ),
]


class Migration(migrations.Migration):

    dependencies = [
        ('buildlog', '0012_removed_records'),
        ('test_sessions', '0007_made_by'),
    ]

    operations = [set_aside_what_is_beyond("buildlog", BOUNDS), ConstraintsTogether(BOUNDS)]
