//! Settings of the shop, kept with the records, and the devices paired with its pages.

use std::collections::BTreeMap;

use evenpull_store::{PairedDevice, StoreError};
use serde::{Deserialize, Serialize};

use super::Records;
use crate::error::AppError;
use evenpull_report::Writing;

/// Most lines of an estimate that are kept ready.
const MOST_LINES: usize = 100;

/// What the shop has set: how it writes, what it is called, and what it charges.
///
/// Money is whole hundredths of `currency`, so that sums are exact.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ShopSettings {
    /// Unit of pressure and decimal sign.
    pub writing: Writing,
    /// Name of the translation in the data folder; empty for English.
    pub language: String,
    /// Name on documents; empty where none was given.
    pub name: String,
    /// Address, telephone and the like on documents, one line each.
    pub address: String,
    /// Currency as it is written behind an amount, such as `EUR`; empty where none was given.
    pub currency: String,
    /// Charge for an hour of work [hundredths]; `None` where none was given.
    pub rate_hundredths: Option<i64>,
    /// Lines that an estimate is made from.
    pub lines: Vec<EstimateLine>,
}

/// One line of an estimate, kept ready.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EstimateLine {
    /// What is done or fitted.
    pub words: String,
    /// Work [min], charged by the hour's rate.
    pub minutes: i64,
    /// Parts or a fixed price beside the work [hundredths].
    pub price_hundredths: i64,
}

impl EstimateLine {
    /// Price of the line [hundredths], rounded to whole ones; without an hour's rate the work is 0.
    pub fn total_hundredths(&self, rate_hundredths: Option<i64>) -> i64 {
        let work = self.minutes * rate_hundredths.unwrap_or(0);
        self.price_hundredths + (work + 30).div_euclid(60)
    }
}

const PRESSURE: &str = "pressure_unit";
const COMMA: &str = "decimal_comma";
const LANGUAGE: &str = "language";
const NAME: &str = "shop_name";
const ADDRESS: &str = "shop_address";
const CURRENCY: &str = "currency";
const RATE: &str = "rate_hundredths_per_hour";
const LINES: &str = "estimate_lines";

impl ShopSettings {
    /// From what is kept; what cannot be read stands as if it had not been set.
    fn of_kept(kept: &BTreeMap<String, String>) -> Self {
        let text = |name: &str| kept.get(name).cloned().unwrap_or_default();
        let writing = Writing {
            comma: text(COMMA) == "true",
            pressure: text(PRESSURE)
                .parse()
                .unwrap_or(Writing::default().pressure),
        };
        Self {
            writing,
            language: text(LANGUAGE),
            name: text(NAME),
            address: text(ADDRESS),
            currency: text(CURRENCY),
            rate_hundredths: text(RATE).parse().ok(),
            lines: serde_json::from_str(&text(LINES)).unwrap_or_default(),
        }
    }

    fn to_kept(&self) -> Result<Vec<(&'static str, String)>, AppError> {
        let lines =
            serde_json::to_string(&self.lines).map_err(|e| AppError::Json(e.to_string()))?;
        let rate = self
            .rate_hundredths
            .map_or_else(String::new, |r| r.to_string());
        Ok(vec![
            (PRESSURE, self.writing.pressure.name().to_owned()),
            (COMMA, self.writing.comma.to_string()),
            (LANGUAGE, self.language.clone()),
            (NAME, self.name.trim().to_owned()),
            (ADDRESS, self.address.trim().to_owned()),
            (CURRENCY, self.currency.trim().to_owned()),
            (RATE, rate),
            (LINES, lines),
        ])
    }

    fn check(&self) -> Result<(), AppError> {
        let refused = |what: &str, problem: String, remedy: String| {
            Err(AppError::Store(StoreError::Invalid {
                what: what.to_owned(),
                problem,
                remedy,
            }))
        };
        if self.lines.len() > MOST_LINES {
            let problem = format!("there are {} lines", self.lines.len());
            return refused("estimate", problem, format!("keep at most {MOST_LINES}"));
        }
        let amounts = self
            .lines
            .iter()
            .flat_map(|l| [l.minutes, l.price_hundredths]);
        if let Some(low) = amounts.chain(self.rate_hundredths).find(|v| *v < 0) {
            let problem = format!("{low} is below nothing");
            return refused("estimate", problem, "write 0 or more".to_owned());
        }
        if self.lines.iter().any(|l| l.words.trim().is_empty()) {
            let problem = "a line has no words".to_owned();
            return refused("estimate", problem, "say what is done or fitted".to_owned());
        }
        Ok(())
    }
}

impl Records {
    /// What the shop has set.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn shop_settings(&self) -> Result<ShopSettings, AppError> {
        Ok(ShopSettings::of_kept(&self.store.settings().await?))
    }

    /// Keeps what the shop has set.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] for an amount below nothing or a line without words, problems of the
    /// records.
    pub async fn set_shop_settings(&self, settings: &ShopSettings) -> Result<(), AppError> {
        settings.check()?;
        let kept = settings.to_kept()?;
        Ok(self.store.set_settings(&kept, self.now()).await?)
    }

    /// Devices paired with the pages, known by the hash of their tokens.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn devices(&self) -> Result<Vec<PairedDevice>, AppError> {
        Ok(self.store.devices().await?)
    }

    /// Keeps exactly these devices.
    ///
    /// # Errors
    /// As [`evenpull_store::Store::set_devices`].
    pub async fn set_devices(&self, devices: &[PairedDevice]) -> Result<(), AppError> {
        Ok(self.store.set_devices(devices, self.now()).await?)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use evenpull_store::{Access, Moment};

    use super::*;
    use crate::records::block_on;
    use evenpull_job::PressureUnit;

    fn set() -> ShopSettings {
        ShopSettings {
            writing: Writing {
                comma: true,
                pressure: PressureUnit::CmHg,
            },
            language: "de.toml".to_owned(),
            name: "Workshop at the Weir".to_owned(),
            address: "Mill Lane 2\n0123 456".to_owned(),
            currency: "EUR".to_owned(),
            rate_hundredths: Some(7_250),
            lines: vec![EstimateLine {
                words: "balance, with report".to_owned(),
                minutes: 50,
                price_hundredths: 250,
            }],
        }
    }

    #[test]
    fn settings_are_there_when_the_records_are_opened_again() {
        let dir = tempfile::tempdir().unwrap();
        block_on(async {
            let clock = || Arc::new(|| Moment::from_ms(1_000));
            let records = Records::open(dir.path(), Access::Write, "a test", clock()).await?;
            assert_eq!(records.shop_settings().await?, ShopSettings::default());
            records.set_shop_settings(&set()).await?;
            records.close().await;
            let records = Records::open(dir.path(), Access::Write, "a test", clock()).await?;
            assert_eq!(records.shop_settings().await?, set());
            for (change, word) in [
                (|s: &mut ShopSettings| s.rate_hundredths = Some(-1), "-1"),
                (|s: &mut ShopSettings| s.lines[0].words.clear(), "words"),
            ] as [(fn(&mut ShopSettings), &str); 2]
            {
                let mut wrong = set();
                change(&mut wrong);
                let error = records.set_shop_settings(&wrong).await.unwrap_err();
                assert!(error.to_string().contains(word), "{error}");
            }
            assert_eq!(records.shop_settings().await?, set());
            records.close().await;
            Ok(())
        })
        .unwrap();
    }

    /// 50 minutes at 72.50 an hour are 60.41(6), with parts of 2.50 together 62.92.
    #[test]
    fn a_line_costs_its_work_and_its_parts() {
        let line = &set().lines[0];
        assert_eq!(line.total_hundredths(Some(7_250)), 6_292);
        assert_eq!(line.total_hundredths(None), 250);
    }
}
