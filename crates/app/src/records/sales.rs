//! Machines that are sold.

use evenpull_report::CivilTime;
use evenpull_store::{Buyer, JobFilter, NewSale, SaleRecord, day};

use super::Records;
use crate::documents::Calendar;
use crate::error::AppError;

/// A sale as it is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sale {
    /// First day of the next owner, `YYYY-MM-DD`.
    pub sold_on: String,
    /// Registration from then on; empty where it is not known.
    pub registration: String,
    /// The next owner.
    pub buyer: Buyer,
}

impl Records {
    /// Notes that a machine was sold. Jobs that were booked in before that day, in the time of this
    /// place, stay with the owner before.
    ///
    /// # Errors
    /// [`AppError::FutureDay`] for a day to come, or as [`evenpull_store::Store::record_sale`].
    pub async fn sell_machine(
        &self,
        machine_id: i64,
        sale: &Sale,
        calendar: &Calendar,
    ) -> Result<i64, AppError> {
        let at = self.now();
        let today = day_text(&calendar(at));
        if day(&sale.sold_on).is_some() && sale.sold_on > today {
            return Err(AppError::FutureDay {
                text: sale.sold_on.clone(),
                today,
            });
        }
        let all = JobFilter {
            machine_id: Some(machine_id),
            limit: u32::MAX,
            ..JobFilter::default()
        };
        let jobs = self.jobs(&all).await?.into_iter();
        let before = jobs.filter(|j| day_text(&calendar(j.created)) < sale.sold_on);
        let new = NewSale {
            sold_on: sale.sold_on.clone(),
            until_job: before.map(|j| j.id).max().unwrap_or(0),
            registration: sale.registration.clone(),
            buyer: sale.buyer.clone(),
        };
        Ok(self.store().record_sale(machine_id, &new, at).await?)
    }

    /// The sales of a machine, in order.
    ///
    /// # Errors
    /// Problems of the records.
    pub async fn sales(&self, machine_id: i64) -> Result<Vec<SaleRecord>, AppError> {
        Ok(self.store().sales(machine_id).await?)
    }
}

/// `2026-05-04`; days written so compare as texts do.
fn day_text(time: &CivilTime) -> String {
    format!("{:04}-{:02}-{:02}", time.year, time.month, time.day)
}
