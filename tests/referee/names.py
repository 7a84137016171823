"""Which field of the analyser is which of ours. A field that is not here is a difference."""

FRAME = {
    "version": "version",
    "message_type": "message_type",
    "message_id": "message_id",
    "status": "status",
    "transaction_id": "sequence",
    "msg_length": "length",
    "session_init.master_type": "master_type",
    "session_init.inactivity_close_timer": "inactivity_close_time_ms",
    "error.error_code": "error_code",
    "pt.preambles": "preambles",
    "pt.delimiter": "delimiter",
    "pt.short_addr": "polling_address",
    "pt.long_address": "address",
    "pt.command": "command",
    "pt.length": "byte_count",
    "pt.response_code": "response_code",
    "pt.device_status": "device_status",
    "pt.checksum": "check",
}

# In the data of an answer.
ANSWER = {
    "expansion_code": "expansion_code",
    "expanded_device_type": "device_type",
    "req_min_preambles": "request_preambles",
    "hart_univ_rev": "universal_revision",
    "device_rev": "device_revision",
    "software_rev": "software_revision",
    "hardrev_and_physical_signal": "hardware",
    "flags": "flags",
    "device_id": "device_id",
    "rsp_min_preambles": "answer_preambles",
    "device_variables": "last_variable",
    "configure_change": "config_changes",
    "ext_device_status": "extended_status",
    "manufacturer_Id": "manufacturer",
    "private_label": "private_label",
    "device_profile": "profile",
    "pv_loop_current": "loop_ma",
    "pv_percent_range": "percent",
    "loop_current_mode": "loop_current_mode",
    "descriptor": "descriptor",
    "day": "day",
    "month": "month",
    "year": "year",
    "message": "message",
    "transducer_serail_number": "transducer_serial",
    "transducer_limit_min_span_units": "transducer_unit",
    "upper_transducer_limit": "upper_limit",
    "lower_transducer_limit": "lower_limit",
    "minimum_span": "min_span",
    "pv_alarm_selection_code": "alarm",
    "pv_transfer_function_code": "transfer",
    "pv_upper_and_lower_range_values_units": "range_unit",
    "pv_upper_range_value": "urv",
    "pv_lower_range_value": "lrv",
    "pv_damping_value": "damping_s",
    "write_protect_code": "write_protect",
    "reserved": "private_label_code",
    "pv_analog_channel_flags": "channel_flags",
    "final_assembly_number": "final_assembly",
    "device_op_mode": "operating_mode",
    "standardized_status_0": "standardized_0",
    "standardized_status_1": "standardized_1",
    "standardized_status_2": "standardized_2",
    "standardized_status_3": "standardized_3",
    "analog_channel_saturated": "analog_saturated",
    "analog_channel_fixed": "analog_fixed",
    "slot0_data_timestamp": "slot0_time",
    "io_card": "io_card",
    "channel": "channel",
    "tx_preamble_count": "preambles_to_send",
    # Of the frame within 77.
    "embedded_command_delimiter": "delimiter",
    "unique_id": "address",
    "embedded_command": "command",
    "command_byte_count": "byte_count",
    "command_number": "extended_command",
}
for _short, _long in (("pv", "primary"), ("sv", "secondary"), ("tv", "tertiary"), ("qv", "quaternary")):
    ANSWER[f"{_short}_units"] = f"{_short}_unit"
    ANSWER[_short] = _short
    ANSWER[f"{_long}_variable_classification"] = f"{_short}_classification"
for _n in range(8):
    ANSWER[f"slot{_n}_device_var"] = f"slot{_n}_code"
    ANSWER[f"slot{_n}_device_var_classify"] = f"slot{_n}_classification"
    ANSWER[f"slot{_n}_device_var_classification"] = f"slot{_n}_classification"
    ANSWER[f"slot{_n}_units"] = f"slot{_n}_unit"
    ANSWER[f"slot{_n}_device_var_value"] = f"slot{_n}_value"
    ANSWER[f"slot{_n}_device_var_status"] = f"slot{_n}_status"

# One field of the analyser for several of ours.
SEVERAL = {
    "pt.rsp.tag": {"tag", "long_tag"},
    "pt.rsp.device_sp_status": {"specific_0", "specific_1"},
    "pt.rsp.poll_address": {"polling_address", "loop_polling_address"},
}

# Bytes that the analyser shows as they are, without a meaning.
RAW = {"pt.payload", "pt.rsp.data", "data"}


def ours(name):
    """Our names for a field of the analyser; empty where it is not known."""
    short = name.removeprefix("hart_ip.")
    if short in SEVERAL:
        return SEVERAL[short]
    found = FRAME.get(short) or ANSWER.get(short.removeprefix("pt.rsp."))
    return {found} if found else set()


def is_raw(name):
    return name.removeprefix("hart_ip.") in RAW
