//! Engineering units by name, with conversion between units of one quantity.
//!
//! Names are those of common table 2 (HCF_SPEC-183). Factors follow from the units' legal definitions (international
//! foot, pound, US and imperial gallon, 42 gal barrel, conventional mmHg and water columns at the stated temperature).
//! Volumes at reference conditions and relative units have no factor: they convert to themselves only.

/// What a unit measures; only units of one quantity convert.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Hash)]
pub enum Quantity {
    Temperature,
    Angle,
    AngularVelocity,
    Capacitance,
    Conductance,
    Conductivity,
    Current,
    Density,
    DynamicViscosity,
    Energy,
    Force,
    Frequency,
    KinematicViscosity,
    Length,
    Mass,
    MassFlow,
    Power,
    Pressure,
    Resistance,
    Time,
    Velocity,
    Voltage,
    Volume,
    VolumeFlow,
}

/// A known unit: `SI value = value * factor + offset`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Unit {
    pub name: &'static str,
    pub quantity: Quantity,
    pub factor: f64,
    pub offset: f64,
}

/// The unit of that name; common other spellings (`°C`, `m³/h`, `l/min`) are understood.
pub fn find(name: &str) -> Option<&'static Unit> {
    let name = normal(name);
    UNITS.iter().find(|u| u.name == name)
}

/// Converts a value; `None` when the units are of different quantities or one is unknown.
///
/// Equal names always convert, known or not.
pub fn convert(value: f64, from: &str, to: &str) -> Option<f64> {
    let (from, to) = (normal(from), normal(to));
    if from == to {
        return Some(value);
    }
    let (a, b) = (find(&from)?, find(&to)?);
    if a.quantity != b.quantity {
        return None;
    }
    if a.factor == b.factor && a.offset == b.offset {
        return Some(value);
    }
    Some((value * a.factor + a.offset - b.offset) / b.factor)
}

/// Usual spellings brought to the table's.
fn normal(name: &str) -> String {
    let name = name
        .trim()
        .replace('³', "3")
        .replace('²', "2")
        .replace(['µ', 'μ'], "u");
    match name.as_str() {
        "°C" | "C" => "degC".into(),
        "°F" | "F" => "degF".into(),
        "Ohm" | "Ω" | "\u{2126}" => "ohm".into(),
        "percent" => "%".into(),
        "l" => "L".into(),
        _ => match name.strip_prefix("l/") {
            Some(rest) => format!("L/{rest}"),
            None => match name.strip_suffix("/l") {
                Some(rest) => format!("{rest}/L"),
                None => name,
            },
        },
    }
}

const fn t(name: &'static str, factor: f64, offset: f64) -> Unit {
    Unit {
        name,
        quantity: Quantity::Temperature,
        factor,
        offset,
    }
}

const fn u(quantity: Quantity, name: &'static str, factor: f64) -> Unit {
    Unit {
        name,
        quantity,
        factor,
        offset: 0.0,
    }
}

use Quantity::*;

/// Every unit with a factor.
pub const UNITS: &[Unit] = &[
    t("K", 1.0, 0.0),
    t("degC", 1.0, 273.15),
    t("degF", 5.0 / 9.0, 459.67 * 5.0 / 9.0),
    t("degR", 5.0 / 9.0, 0.0),
    u(Pressure, "inH2O 68F", 248.642378),
    u(Pressure, "inHg 0C", 3386.388640341),
    u(Pressure, "ftH2O 68F", 2983.708536),
    u(Pressure, "mmH2O 68F", 9.78907),
    u(Pressure, "mmHg 0C", 133.322387415),
    u(Pressure, "psi", 6894.757293168361),
    u(Pressure, "bar", 100000.0),
    u(Pressure, "mbar", 100.0),
    u(Pressure, "g/cm2", 98.0665),
    u(Pressure, "kg/cm2", 98066.5),
    u(Pressure, "Pa", 1.0),
    u(Pressure, "kPa", 1000.0),
    u(Pressure, "torr", 133.32236842105263),
    u(Pressure, "atm", 101325.0),
    u(Pressure, "inH2O 60F", 248.844),
    u(Pressure, "MPa", 1000000.0),
    u(Pressure, "inH2O 4C", 249.08192499999996),
    u(Pressure, "mmH2O 4C", 9.806375),
    u(Pressure, "hPa", 100.0),
    u(VolumeFlow, "ft3/min", 0.0004719474432000001),
    u(VolumeFlow, "gal/min", 6.30901964e-05),
    u(VolumeFlow, "L/min", 1.6666666666666667e-05),
    u(VolumeFlow, "imp gal/min", 7.576816666666667e-05),
    u(VolumeFlow, "m3/h", 0.0002777777777777778),
    u(VolumeFlow, "gal/s", 0.003785411784),
    u(VolumeFlow, "Mgal/d", 0.043812636388888895),
    u(VolumeFlow, "L/s", 0.001),
    u(VolumeFlow, "ML/d", 0.011574074074074073),
    u(VolumeFlow, "ft3/s", 0.028316846592000004),
    u(VolumeFlow, "ft3/d", 3.2774128000000003e-07),
    u(VolumeFlow, "m3/s", 1.0),
    u(VolumeFlow, "m3/d", 1.1574074074074073e-05),
    u(VolumeFlow, "imp gal/h", 1.2628027777777779e-06),
    u(VolumeFlow, "imp gal/d", 5.2616782407407406e-08),
    u(VolumeFlow, "ft3/h", 7.86579072e-06),
    u(VolumeFlow, "m3/min", 0.016666666666666666),
    u(VolumeFlow, "bbl/s", 0.158987294928),
    u(VolumeFlow, "bbl/min", 0.0026497882488000003),
    u(VolumeFlow, "bbl/h", 4.4163137480000004e-05),
    u(VolumeFlow, "bbl/d", 1.8401307283333336e-06),
    u(VolumeFlow, "gal/h", 1.0515032733333334e-06),
    u(VolumeFlow, "imp gal/s", 0.00454609),
    u(VolumeFlow, "L/h", 2.7777777777777776e-07),
    u(VolumeFlow, "gal/d", 4.381263638888889e-08),
    u(Velocity, "ft/s", 0.3048),
    u(Velocity, "m/s", 1.0),
    u(Velocity, "in/s", 0.0254),
    u(Velocity, "in/min", 0.00042333333333333334),
    u(Velocity, "ft/min", 0.00508),
    u(Velocity, "m/h", 0.0002777777777777778),
    u(Voltage, "mV", 0.001),
    u(Voltage, "V", 1.0),
    u(Resistance, "ohm", 1.0),
    u(Resistance, "kohm", 1000.0),
    u(Frequency, "Hz", 1.0),
    u(Current, "mA", 0.001),
    u(Current, "A", 1.0),
    u(Volume, "gal", 0.003785411784),
    u(Volume, "L", 0.001),
    u(Volume, "imp gal", 0.00454609),
    u(Volume, "m3", 1.0),
    u(Volume, "bbl (42 gal)", 0.158987294928),
    u(Volume, "bushel", 0.03523907016688),
    u(Volume, "yd3", 0.764554857984),
    u(Volume, "ft3", 0.028316846592000004),
    u(Volume, "in3", 1.6387064e-05),
    u(Volume, "liq bbl (31.5 gal)", 0.11924047119600001),
    u(Volume, "hL", 0.1),
    u(Length, "ft", 0.3048),
    u(Length, "m", 1.0),
    u(Length, "in", 0.0254),
    u(Length, "cm", 0.01),
    u(Length, "mm", 0.001),
    u(Time, "min", 60.0),
    u(Time, "s", 1.0),
    u(Time, "h", 3600.0),
    u(Time, "d", 86400.0),
    u(KinematicViscosity, "cSt", 1e-06),
    u(DynamicViscosity, "cP", 0.001),
    u(Conductance, "uS", 1e-06),
    u(Mass, "g", 0.001),
    u(Mass, "kg", 1.0),
    u(Mass, "t", 1000.0),
    u(Mass, "lb", 0.45359237),
    u(Mass, "sh ton", 907.18474),
    u(Mass, "long ton", 1016.0469088000001),
    u(Mass, "oz", 0.028349523125),
    u(Conductivity, "mS/cm", 0.1),
    u(Conductivity, "uS/cm", 0.0001),
    u(Conductivity, "S/m", 1.0),
    u(Force, "N", 1.0),
    u(Energy, "J", 1.0),
    u(Energy, "kWh", 3600000.0),
    u(Energy, "MJ", 1000000.0),
    u(Energy, "Btu", 1055.05585262),
    u(MassFlow, "g/s", 0.001),
    u(MassFlow, "g/min", 1.6666666666666667e-05),
    u(MassFlow, "g/h", 2.7777777777777776e-07),
    u(MassFlow, "kg/s", 1.0),
    u(MassFlow, "kg/min", 0.016666666666666666),
    u(MassFlow, "kg/h", 0.0002777777777777778),
    u(MassFlow, "kg/d", 1.1574074074074073e-05),
    u(MassFlow, "t/min", 16.666666666666668),
    u(MassFlow, "t/h", 0.2777777777777778),
    u(MassFlow, "t/d", 0.011574074074074073),
    u(MassFlow, "lb/s", 0.45359237),
    u(MassFlow, "lb/min", 0.007559872833333333),
    u(MassFlow, "lb/h", 0.00012599788055555556),
    u(MassFlow, "lb/d", 5.249911689814815e-06),
    u(MassFlow, "sh ton/min", 15.119745666666667),
    u(MassFlow, "sh ton/h", 0.2519957611111111),
    u(MassFlow, "sh ton/d", 0.01049982337962963),
    u(MassFlow, "long ton/h", 0.2822352524444445),
    u(MassFlow, "long ton/d", 0.011759802185185186),
    u(Density, "g/cm3", 1000.0),
    u(Density, "kg/m3", 1.0),
    u(Density, "lb/gal", 119.82642731689663),
    u(Density, "lb/ft3", 16.018463373960138),
    u(Density, "g/mL", 1000.0),
    u(Density, "kg/L", 1000.0),
    u(Density, "g/L", 1.0),
    u(Density, "lb/in3", 27679.904710203125),
    u(Density, "ug/L", 1e-06),
    u(Density, "ug/m3", 1e-09),
    u(Density, "mg/L", 0.001),
    u(Density, "g/m3", 0.001),
    u(AngularVelocity, "deg/s", std::f64::consts::PI / 180.0),
    u(AngularVelocity, "rev/s", std::f64::consts::TAU),
    u(AngularVelocity, "rpm", std::f64::consts::TAU / 60.0),
    u(Power, "kW", 1000.0),
    u(Power, "hp", 745.6998715822702),
    u(Power, "MJ/h", 277.77777777777777),
    u(Power, "Btu/h", 0.2930710701722222),
    u(Angle, "deg", std::f64::consts::PI / 180.0),
    u(Angle, "rad", 1.0),
    u(Capacitance, "pF", 1e-12),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn close(value: f64, from: &str, to: &str, want: f64) {
        let got = convert(value, from, to).unwrap();
        assert!(
            (got - want).abs() <= 1e-9 * want.abs().max(1.0),
            "{value} {from} is {got} {to}, not {want}"
        );
        let back = convert(got, to, from).unwrap();
        assert!((back - value).abs() <= 1e-9 * value.abs().max(1.0));
    }

    #[test]
    fn known_conversions() {
        close(1.0, "bar", "kPa", 100.0);
        close(1.0, "bar", "psi", 14.503_773_773_020_9);
        close(250.0, "mbar", "kPa", 25.0);
        close(36.0, "m3/h", "L/min", 600.0);
        close(1.0, "m3/h", "gal/min", 4.402_867_538_6);
        close(100.0, "degC", "degF", 212.0);
        close(-40.0, "degF", "degC", -40.0);
        close(0.0, "degC", "K", 273.15);
        close(1.0, "t/h", "kg/s", 1.0 / 3.6);
        close(2.0, "m", "ft", 2.0 / 0.3048);
        close(1.0, "mS/cm", "uS/cm", 1000.0);
        close(5.0, "mg/L", "ug/L", 5000.0);
    }

    #[test]
    fn names() {
        assert_eq!(convert(7.0, "pH", "pH"), Some(7.0));
        assert_eq!(convert(7.0, "furlong", " furlong "), Some(7.0));
        assert_eq!(convert(7.0, "°C", "degC"), Some(7.0));
        assert_eq!(convert(7.0, "m³/h", "m3/h"), Some(7.0));
        assert_eq!(convert(7.0, "l/min", "L/min"), Some(7.0));
        assert_eq!(convert(7.0, "bar", "degC"), None);
        assert_eq!(convert(7.0, "Nm3/h", "m3/h"), None);
        assert_eq!(convert(7.0, "bar", "furlong"), None);
        assert!(convert(f64::NAN, "bar", "kPa").unwrap().is_nan());
    }

    #[test]
    fn table_is_sound() {
        for (i, a) in UNITS.iter().enumerate() {
            assert!(a.factor > 0.0 && a.factor.is_finite(), "{}", a.name);
            assert!(
                UNITS[..i].iter().all(|b| b.name != a.name),
                "{} twice",
                a.name
            );
            assert_eq!(find(a.name).map(|u| u.name), Some(a.name));
        }
    }
}
