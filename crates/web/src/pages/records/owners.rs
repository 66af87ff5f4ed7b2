//! Owners of a machine: the present one and those before, a sale, and deleting one for good.

use axum::extract::{Path, State};
use axum::response::Redirect;
use evenpull_app::{Buyer, Machine, Moment, Records, Sale};

use super::machines::owner;
use super::stored::records;
use crate::page::Visitor;
use crate::pages::aside::problem;
use crate::posted::Posted;
use crate::problem::Problem;
use crate::state::Web;

/// Owners of a machine as its page shows them.
#[derive(Debug)]
pub(super) struct OwnersView {
    /// The present one first, then those before, the latest first.
    pub(super) rows: Vec<OwnerRow>,
    /// Today, `YYYY-MM-DD`: the latest day of a sale.
    pub(super) today: String,
}

/// One owner.
#[derive(Debug)]
pub(super) struct OwnerRow {
    /// None where the owner was deleted or never known.
    pub(super) id: Option<i64>,
    pub(super) name: String,
    /// Since when and until when, in words.
    pub(super) when: String,
    /// How long the data may be kept, in words; empty without an owner and where that day is past.
    pub(super) retain: String,
    /// That the data may be kept no longer, in words; empty where they may.
    pub(super) overdue: String,
}

/// The owners of a machine.
pub(super) async fn view(
    records: &Records,
    machine: &Machine,
    web: &Web,
    visitor: &Visitor,
) -> Result<OwnersView, Problem> {
    let sales = records.sales(machine.id).await;
    let sales = sales.map_err(|e| problem(web, &e))?;
    let mut rows = Vec::new();
    let since = sales.last().map(|s| s.sold_on.clone());
    if machine.data.owner_id.is_some() || since.is_some() {
        let days = (since, None);
        rows.push(row(records, machine.data.owner_id, days, web, visitor).await?);
    }
    for (i, sale) in sales.iter().enumerate().rev() {
        let since = i.checked_sub(1).map(|before| sales[before].sold_on.clone());
        let days = (since, Some(sale.sold_on.clone()));
        rows.push(row(records, sale.owner_id, days, web, visitor).await?);
    }
    Ok(OwnersView {
        rows,
        today: today(web),
    })
}

async fn row(
    records: &Records,
    id: Option<i64>,
    days: (Option<String>, Option<String>),
    web: &Web,
    visitor: &Visitor,
) -> Result<OwnerRow, Problem> {
    let texts = &visitor.texts;
    let known = match id {
        Some(id) => Some(records.owner(id).await.map_err(|e| problem(web, &e))?),
        None => None,
    };
    let until = known.as_ref().map(|o| o.data.retain_until.clone());
    let past = until.as_ref().is_some_and(|day| *day < today(web));
    let kept_until = |key: &str, say: bool| {
        let day = until.as_deref().filter(|_| say);
        day.map_or_else(String::new, |day| texts.fill(key, &[("until", day)]))
    };
    let when = match days {
        (None, None) => String::new(),
        (Some(since), None) => texts.fill("owners.since", &[("since", &since)]),
        (None, Some(until)) => texts.fill("owners.before", &[("until", &until)]),
        (Some(since), Some(until)) => {
            texts.fill("owners.between", &[("since", &since), ("until", &until)])
        }
    };
    Ok(OwnerRow {
        id,
        name: known.map_or_else(|| texts.at("owners.unknown").to_owned(), |o| o.data.name),
        when,
        retain: kept_until("owners.retain", !past),
        overdue: kept_until("owners.overdue", past),
    })
}

/// Today in the time of this place, `YYYY-MM-DD`.
fn today(web: &Web) -> String {
    let now = (web.calendar())(Moment::from_ms(web.now_ms()));
    format!("{:04}-{:02}-{:02}", now.year, now.month, now.day)
}

/// Notes a sale; the machine has another owner from that day on.
pub(crate) async fn machine_sold(
    State(web): State<Web>,
    Path(id): Path<i64>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let text = form.text("sold_on");
    let label = form.label("sold_on");
    let values = [("field", &*label), ("text", text), ("today", &today(&web))];
    if evenpull_app::day(text).is_none() {
        return Err(form.refused("machines.no_day", &values));
    }
    if text > today(&web).as_str() {
        return Err(form.refused("owners.future_day", &values));
    }
    let sale = Sale {
        sold_on: text.to_owned(),
        registration: form.text("registration").to_owned(),
        buyer: owner(&form, &web, None)?.map_or(Buyer::Unknown, Buyer::New),
    };
    let calendar = web.calendar();
    let done = records(&web)?.sell_machine(id, &sale, &calendar);
    done.await.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/machines/{id}#owners")))
}

/// Deletes an owner of this machine, present or earlier, as `records delete-owner` does.
pub(crate) async fn owner_deleted(
    State(web): State<Web>,
    Path((id, owner)): Path<(i64, i64)>,
    form: Posted,
) -> Result<Redirect, Problem> {
    let records = records(&web)?;
    let machine = records.machine(id).await.map_err(|e| problem(&web, &e))?;
    let sales = records.sales(id).await.map_err(|e| problem(&web, &e))?;
    let earlier = sales.iter().any(|s| s.owner_id == Some(owner));
    if machine.data.owner_id != Some(owner) && !earlier {
        return Err(Problem::NotFound);
    }
    if form.text("sure") != "yes" {
        return Err(form.refused("owners.not_sure", &[]));
    }
    let done = records.delete_owner(owner).await;
    done.map_err(|e| problem(&web, &e))?;
    Ok(Redirect::to(&format!("/machines/{id}#owners")))
}
