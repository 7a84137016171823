//! Reads frames (hex, delimiter to check byte, one a line) from standard input and prints what the collector's decoders
//! make of each, one JSON object a line. For the referee, which compares it with a packet analyser.

use ingest_hart::answer::{Answer, Measured};
use ingest_hart::{Float, Frame};
use serde_json::{Map, Value};
use std::error::Error;
use std::io::{BufRead, Write};

fn main() -> Result<(), Box<dyn Error>> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let bytes: Vec<u8> = (0..line.len() / 2)
            .map(|i| u8::from_str_radix(line.get(2 * i..2 * i + 2).unwrap_or_default(), 16))
            .collect::<Result<_, _>>()?;
        let mut fields = Fields(Map::new());
        match Frame::parse(&bytes) {
            Ok((frame, _)) => fields.frame(&frame),
            Err(e) => fields.put("error", e.to_string()),
        }
        writeln!(out, "{}", Value::Object(fields.0))?;
    }
    Ok(())
}

struct Fields(Map<String, Value>);

impl Fields {
    /// A field that is not there is left out.
    fn put(&mut self, name: &str, value: impl Into<Value>) {
        let value = value.into();
        if !value.is_null() {
            self.0.insert(name.to_owned(), value);
        }
    }

    /// As bits, so that every NaN can be told.
    fn float(&mut self, name: &str, f: impl Into<Option<Float>>) {
        self.put(name, f.into().map(|f| format!("{:08x}", f.0)));
    }

    fn measured(&mut self, role: &str, m: &Measured) {
        self.put(&format!("{role}_unit"), m.unit);
        self.float(role, m.value);
    }

    fn frame(&mut self, frame: &Frame<'_>) {
        self.put("command", frame.command);
        self.put("byte_count", frame.payload.len());
        let Some(status) = frame.status() else { return };
        self.put("response_code", status.first);
        if !status.class().has_data() {
            return;
        }
        self.put("device_status", status.device_status());
        match Answer::decode(frame.command, frame.data()) {
            Ok(answer) => self.answer(&answer),
            Err(e) => self.put("error", e.to_string()),
        }
    }

    fn answer(&mut self, answer: &Answer<'_>) {
        const ROLES: [&str; 4] = ["pv", "sv", "tv", "qv"];
        match answer {
            Answer::Identity(i) => {
                self.put("device_type", i.device_type);
                self.put("request_preambles", i.request_preambles);
                self.put("universal_revision", i.universal_revision);
                self.put("device_revision", i.device_revision);
                self.put("software_revision", i.software_revision);
                self.put("hardware", i.hardware_revision << 3 | i.signalling);
                self.put("flags", i.flags);
                self.put("device_id", i.device_id);
                self.put("answer_preambles", i.answer_preambles);
                self.put("last_variable", i.last_variable);
                self.put("config_changes", i.config_changes);
                self.put("extended_status", i.extended_status);
                self.put("manufacturer", i.manufacturer);
                self.put("private_label", i.private_label);
                self.put("profile", i.profile);
            }
            Answer::PrimaryVariable(p) => self.measured("pv", &p.0),
            Answer::CurrentAndPercent(c) => {
                self.float("loop_ma", c.loop_ma);
                self.float("percent", c.percent);
            }
            Answer::DynamicVariables(d) => {
                self.float("loop_ma", d.loop_ma);
                for (role, m) in ROLES.iter().zip(d.variables) {
                    if let Some(m) = m {
                        self.measured(role, &m);
                    }
                }
            }
            Answer::LoopConfiguration(c) => {
                self.put("loop_polling_address", c.polling_address);
                self.put("loop_current_mode", c.loop_current_mode);
            }
            Answer::Classifications(c) => {
                for (role, v) in ROLES.iter().zip(c.0) {
                    self.put(&format!("{role}_classification"), v);
                }
            }
            Answer::VariablesWithStatus(v) => {
                self.put("extended_status", v.extended_status);
                for (n, s) in v.slots().enumerate() {
                    self.put(&format!("slot{n}_code"), s.code);
                    self.put(&format!("slot{n}_classification"), s.classification);
                    self.put(&format!("slot{n}_unit"), s.unit);
                    self.float(&format!("slot{n}_value"), s.value);
                    self.put(&format!("slot{n}_status"), s.status);
                }
                self.put("slot0_time", v.time.map(|t| t.0));
            }
            Answer::DeviceVariables(v) => {
                for (n, (code, m)) in v.slots().enumerate() {
                    self.put(&format!("slot{n}_code"), code);
                    self.put(&format!("slot{n}_unit"), m.unit);
                    self.float(&format!("slot{n}_value"), m.value);
                }
            }
            Answer::Message(m) => self.put("message", m.to_string()),
            Answer::TagDescriptorDate(t) => {
                self.put("tag", t.tag.to_string());
                self.put("descriptor", t.descriptor.to_string());
                if let Some(d) = t.date {
                    self.put("day", d.day);
                    self.put("month", d.month);
                    self.put("year", d.year - 1900);
                }
            }
            Answer::Transducer(t) => {
                self.put("transducer_serial", t.serial);
                self.put("transducer_unit", t.unit);
                self.float("upper_limit", t.upper_limit);
                self.float("lower_limit", t.lower_limit);
                self.float("min_span", t.min_span);
            }
            Answer::OutputInformation(o) => {
                self.put("alarm", o.alarm);
                self.put("transfer", o.transfer);
                self.put("range_unit", o.range_unit);
                self.float("urv", o.urv);
                self.float("lrv", o.lrv);
                self.float("damping_s", o.damping_s);
                self.put("write_protect", o.write_protect);
                self.put("channel_flags", o.channel_flags);
            }
            Answer::FinalAssembly(n) => self.put("final_assembly", *n),
            Answer::LongTag(t) => self.put("long_tag", t.to_string()),
            Answer::AdditionalStatus(s) => {
                let names = [
                    (6, "extended_status"),
                    (7, "operating_mode"),
                    (8, "standardized_0"),
                    (9, "standardized_1"),
                    (10, "analog_saturated"),
                    (11, "standardized_2"),
                    (12, "standardized_3"),
                    (13, "analog_fixed"),
                ];
                for (at, name) in names {
                    self.put(name, s.byte(at));
                }
            }
            // What the analyser shows as bytes only.
            _ => {}
        }
    }
}
