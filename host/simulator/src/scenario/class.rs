//! `[sensors.class]`: how wrong the sensors may be, as the logger is told it.

use serde::Deserialize;
use toml::Spanned;
use wyelog_protocol::bank::SensorClass;
use wyelog_protocol::quantity::{Angle, Percent};

use super::check::Source;
use super::error::Error;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClassTable {
    ratio_percent: Option<Spanned<f64>>,
    displacement_deg: Option<Spanned<f64>>,
    own_third_percent: Option<Spanned<f64>>,
    stray_percent: Option<Spanned<f64>>,
    stray_third_percent: Option<Spanned<f64>>,
}

impl ClassTable {
    /// What is stated, and the default for the rest.
    pub fn check(&self, source: &Source) -> Result<SensorClass, Error> {
        let percent = |name: &str, stated: &Option<Spanned<f64>>, default: Percent| match stated {
            None => Ok(default),
            Some(stated) => {
                let value = source.number(&format!("sensors.class.{name}"), stated, 0.0..=30.0, "%")?;
                Ok(Percent::quantise(value as f32))
            }
        };
        let default = SensorClass::DEFAULT;
        Ok(SensorClass {
            ratio: percent("ratio_percent", &self.ratio_percent, default.ratio)?,
            displacement: match &self.displacement_deg {
                None => default.displacement,
                Some(stated) => {
                    let name = "sensors.class.displacement_deg";
                    Angle::quantise(source.number(name, stated, 0.0..=30.0, "degrees")? as f32)
                }
            },
            own_third: percent("own_third_percent", &self.own_third_percent, default.own_third)?,
            stray: percent("stray_percent", &self.stray_percent, default.stray)?,
            stray_third: percent("stray_third_percent", &self.stray_third_percent, default.stray_third)?,
        })
    }
}
