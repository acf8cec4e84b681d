from django.conf import settings
from django.db import migrations, models

from buildlog.quantities.bounds_migration import set_aside_what_is_beyond
from buildlog.quantities.joined_steps import ConstraintsTogether


BOUNDS = [
    migrations.RemoveConstraint(
        model_name='assumptions',
        name='assumptions_reserve_is_a_fraction',
    ),
    migrations.RemoveConstraint(
        model_name='assumptions',
        name='assumptions_what_holds_is_possible',
    ),
    migrations.RemoveConstraint(
        model_name='gate',
        name='gate_u_distance_m_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='gatemark',
        name='gate_mark_position_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='pass',
        name='pass_duration_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='pass',
        name='pass_frame_rate_is_possible',
    ),
    migrations.RemoveConstraint(
        model_name='pass',
        name='pass_u_duration_s_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='pass',
        name='pass_time_into_session_s_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='reading',
        name='reading_time_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='reading',
        name='reading_voltage_v_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='reading',
        name='reading_distance_m_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_distance_m_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_runtime_s_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_rest_voltage_start_v_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_rest_voltage_end_v_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_rider_mass_kg_above_zero',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_charge_used_ah_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_energy_used_wh_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_recharge_energy_wh_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_payload_kg_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_ice_thickness_cm_not_negative',
    ),
    migrations.RemoveConstraint(
        model_name='session',
        name='session_wind_speed_mps_not_negative',
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('reserve_fraction__gte', 0.0), ('reserve_fraction__lte', 0.9)), name='assumptions_reserve_fraction_within_bounds', violation_error_message='Reserve kept for coming home cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_press_s__gte', 0.0), ('u_press_s__lte', 5)), name='assumptions_u_press_s_within_bounds', violation_error_message='One press of a stopwatch cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_distance_fraction__gte', 0.0), ('u_distance_fraction__lte', 0.5)), name='assumptions_u_distance_fraction_within_bounds', violation_error_message='Distance ridden cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_charge_fraction__gte', 0.0), ('u_charge_fraction__lte', 0.5)), name='assumptions_u_charge_fraction_within_bounds', violation_error_message='Charge used cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_energy_fraction__gte', 0.0), ('u_energy_fraction__lte', 0.5)), name='assumptions_u_energy_fraction_within_bounds', violation_error_message='Energy from a meter cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_voltage_v__gte', 0.0), ('u_voltage_v__lte', 10)), name='assumptions_u_voltage_v_within_bounds', violation_error_message='A voltage reading cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('u_rest_charge_fraction__gte', 0.0), ('u_rest_charge_fraction__lte', 0.5)), name='assumptions_u_rest_charge_fraction_within_bounds', violation_error_message='State of charge from rest voltage cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('held_rate_fraction__gt', 0.0), ('held_rate_fraction__lte', 1)), name='assumptions_held_rate_fraction_within_bounds', violation_error_message='A fix has held once its failure is shown to come at less than this share of the earlier rate cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='assumptions',
        constraint=models.CheckConstraint(condition=models.Q(('held_confidence__gte', 0.5), ('held_confidence__lte', 0.99)), name='assumptions_held_confidence_within_bounds', violation_error_message='How sure that must be cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='gate',
        constraint=models.CheckConstraint(condition=models.Q(('u_distance_m__gte', 0.0), ('u_distance_m__lte', 1000)), name='gate_u_distance_m_within_bounds', violation_error_message='Standard uncertainty of the distance cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='gatemark',
        constraint=models.CheckConstraint(condition=models.Q(('position_m__gte', 0.0), ('position_m__lte', 100000)), name='gatemark_position_m_within_bounds', violation_error_message='Distance from the first mark cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='log',
        constraint=models.CheckConstraint(condition=models.Q(('begins_into_session_s__isnull', True), models.Q(('begins_into_session_s__gte', -1000000.0), ('begins_into_session_s__lte', 1000000.0)), _connector='OR'), name='log_begins_into_session_s_within_bounds', violation_error_message='Begins, into the session cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='log',
        constraint=models.CheckConstraint(condition=models.Q(('length_m__isnull', True), models.Q(('length_m__gte', 0.0), ('length_m__lte', 100000000.0)), _connector='OR'), name='log_length_m_within_bounds', violation_error_message='Distance in the log cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='log',
        constraint=models.CheckConstraint(condition=models.Q(('duration_s__isnull', True), models.Q(('duration_s__gte', 0.0), ('duration_s__lte', 10000000.0)), _connector='OR'), name='log_duration_s_within_bounds', violation_error_message='From the first to the last row cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='pass',
        constraint=models.CheckConstraint(condition=models.Q(('time_into_session_s__isnull', True), models.Q(('time_into_session_s__gte', 0.0), ('time_into_session_s__lte', 1000000.0)), _connector='OR'), name='pass_time_into_session_s_within_bounds', violation_error_message='Time into the session cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='pass',
        constraint=models.CheckConstraint(condition=models.Q(('duration_s__gt', 0.0), ('duration_s__lte', 86400)), name='pass_duration_s_within_bounds', violation_error_message='Time, first to last mark cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='pass',
        constraint=models.CheckConstraint(condition=models.Q(('frames_per_s__isnull', True), models.Q(('frames_per_s__gt', 0.0), ('frames_per_s__lte', 9999)), _connector='OR'), name='pass_frames_per_s_within_bounds', violation_error_message='Frame rate the clip was taken at cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='pass',
        constraint=models.CheckConstraint(condition=models.Q(('u_duration_s__isnull', True), models.Q(('u_duration_s__gte', 0.0), ('u_duration_s__lte', 3600)), _connector='OR'), name='pass_u_duration_s_within_bounds', violation_error_message='Standard uncertainty of the time, if you know it cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('time_into_session_s__gte', 0.0), ('time_into_session_s__lte', 1000000.0)), name='reading_time_into_session_s_within_bounds', violation_error_message='Time into the session cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('voltage_v__isnull', True), models.Q(('voltage_v__gte', 0.0), ('voltage_v__lte', 1500)), _connector='OR'), name='reading_voltage_v_within_bounds', violation_error_message='Voltage cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('current_a__isnull', True), models.Q(('current_a__gte', -10000), ('current_a__lte', 10000)), _connector='OR'), name='reading_current_a_within_bounds', violation_error_message='Current cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('charge_used_ah__isnull', True), models.Q(('charge_used_ah__gte', -1000), ('charge_used_ah__lte', 10000)), _connector='OR'), name='reading_charge_used_ah_within_bounds', violation_error_message='Charge used so far cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('battery_temperature_c__isnull', True), models.Q(('battery_temperature_c__gte', -70), ('battery_temperature_c__lte', 200)), _connector='OR'), name='reading_battery_temperature_c_within_bounds', violation_error_message='Battery temperature cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('motor_temperature_c__isnull', True), models.Q(('motor_temperature_c__gte', -70), ('motor_temperature_c__lte', 400)), _connector='OR'), name='reading_motor_temperature_c_within_bounds', violation_error_message='Motor temperature cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('controller_temperature_c__isnull', True), models.Q(('controller_temperature_c__gte', -70), ('controller_temperature_c__lte', 400)), _connector='OR'), name='reading_controller_temperature_c_within_bounds', violation_error_message='Controller temperature cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='reading',
        constraint=models.CheckConstraint(condition=models.Q(('distance_m__isnull', True), models.Q(('distance_m__gte', 0.0), ('distance_m__lte', 10000000.0)), _connector='OR'), name='reading_distance_m_within_bounds', violation_error_message='Distance so far cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('rider_mass_kg__isnull', True), models.Q(('rider_mass_kg__gt', 0.0), ('rider_mass_kg__lte', 500)), _connector='OR'), name='session_rider_mass_kg_within_bounds', violation_error_message='Rider, dressed cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('payload_kg__isnull', True), models.Q(('payload_kg__gte', 0.0), ('payload_kg__lte', 2000)), _connector='OR'), name='session_payload_kg_within_bounds', violation_error_message='Payload cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('ice_thickness_cm__isnull', True), models.Q(('ice_thickness_cm__gte', 0.0), ('ice_thickness_cm__lte', 500)), _connector='OR'), name='session_ice_thickness_cm_within_bounds', violation_error_message='Ice thickness, measured cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('air_temperature_c__isnull', True), models.Q(('air_temperature_c__gte', -70), ('air_temperature_c__lte', 60)), _connector='OR'), name='session_air_temperature_c_within_bounds', violation_error_message='Air temperature cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('wind_speed_mps__isnull', True), models.Q(('wind_speed_mps__gte', 0.0), ('wind_speed_mps__lte', 60)), _connector='OR'), name='session_wind_speed_mps_within_bounds', violation_error_message='Wind cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('rest_voltage_start_v__isnull', True), models.Q(('rest_voltage_start_v__gt', 0.0), ('rest_voltage_start_v__lte', 1500)), _connector='OR'), name='session_rest_voltage_start_v_within_bounds', violation_error_message='Rest voltage before cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('rest_voltage_end_v__isnull', True), models.Q(('rest_voltage_end_v__gt', 0.0), ('rest_voltage_end_v__lte', 1500)), _connector='OR'), name='session_rest_voltage_end_v_within_bounds', violation_error_message='Rest voltage after cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('charge_used_ah__isnull', True), models.Q(('charge_used_ah__gte', 0.0), ('charge_used_ah__lte', 10000)), _connector='OR'), name='session_charge_used_ah_within_bounds', violation_error_message='Charge used cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('energy_used_wh__isnull', True), models.Q(('energy_used_wh__gte', 0.0), ('energy_used_wh__lte', 1000000.0)), _connector='OR'), name='session_energy_used_wh_within_bounds', violation_error_message='Energy used, metered cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('recharge_energy_wh__isnull', True), models.Q(('recharge_energy_wh__gte', 0.0), ('recharge_energy_wh__lte', 1000000.0)), _connector='OR'), name='session_recharge_energy_wh_within_bounds', violation_error_message='Energy to recharge, at the wall cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('runtime_s__isnull', True), models.Q(('runtime_s__gt', 0.0), ('runtime_s__lte', 1000000.0)), _connector='OR'), name='session_runtime_s_within_bounds', violation_error_message='Runtime cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('distance_m__isnull', True), models.Q(('distance_m__gt', 0.0), ('distance_m__lte', 10000000.0)), _connector='OR'), name='session_distance_m_within_bounds', violation_error_message='Distance ridden cannot be that.'),
    ),
    migrations.AddConstraint(
        model_name='session',
        constraint=models.CheckConstraint(condition=models.Q(('clock_correction_s__isnull', True), models.Q(('clock_correction_s__gte', -10000000000.0), ('clock_correction_s__lte', 10000000000.0)), _connector='OR'), name='session_clock_correction_s_within_bounds', violation_error_message="Added to the phone's clock cannot be that."),
    ),
]


class Migration(migrations.Migration):

    dependencies = [
        ('buildlog', '0013_bounds'),
        ('test_sessions', '0008_sequence'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [set_aside_what_is_beyond("test_sessions", BOUNDS), ConstraintsTogether(BOUNDS)]
