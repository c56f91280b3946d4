//! How readings come in: boxes, transmitters and brokers, their words, their faults.

mod broker_and_disk;
mod broker_line;
mod calibrate;
mod clip_a_probe;
mod modbus_line;
mod mqtt_broker;
mod probe_health;
mod probe_lag;
mod referee_conversion;
mod sensor_words;
mod serial_port;
mod spare_probe;
mod streamed;
mod thermocouple_tables;
