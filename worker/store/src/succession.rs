//! Which of the takes that replace one another sounds: the latest that is placed, or was and is
//! being laid anew.
//!
//! Someone may send a better take twice from the same receipt, so those that replace one another
//! are a tree and not only a chain. They are few; their order is settled here, not in SQL.

use std::collections::BTreeMap;

use ripieno_score::TakeState;
use sqlx::FromRow;

use crate::database::{Tx, all, first, run};
use crate::error::Result;

/// A take among those it replaces or is replaced by.
#[derive(Clone, Debug, FromRow)]
struct Member {
    id: String,
    state: String,
    replaces: Option<String>,
    replaced_by: Option<String>,
    laid_before: i64,
    created_at: i64,
}

/// Lets the latest placed take of those around `take_id` stand in for the ones before it. To be
/// called whenever one of them changes its state: what turned out not to be usable lets the last
/// good one sound again.
pub(crate) async fn settle(tx: &mut Tx, take_id: &str, now_us: i64) -> Result<()> {
    let first = first!(
        (String,),
        tx,
        "with recursive earlier (id) as (
             select $1
             union
             select t.replaces from takes t join earlier on t.id = earlier.id
             where t.replaces is not null
         )
         select t.id from earlier join takes t on t.id = earlier.id where t.replaces is null",
        take_id,
    )?;
    let Some((first,)) = first else { return Ok(()) };
    let members = all!(
        Member,
        tx,
        "with recursive family (id) as (
             select $1
             union
             select t.id from takes t join family on t.replaces = family.id
         )
         select t.id, t.state, t.replaces, t.replaced_by, t.laid_before, t.created_at
         from family join takes t on t.id = family.id
         where t.state <> 'withdrawn'",
        first,
    )?;
    for (id, replaced_by) in changes(&members) {
        run!(
            tx,
            "update takes set replaced_by = $2, updated_at = $3 where id = $1",
            id,
            replaced_by,
            now_us,
        )?;
    }
    Ok(())
}

/// What is to be recorded anew of whom: which take stands in for it.
fn changes(members: &[Member]) -> Vec<(&str, Option<&str>)> {
    let parents: BTreeMap<&str, Option<&str>> =
        members.iter().map(|m| (m.id.as_str(), m.replaces.as_deref())).collect();
    let mut ordered: Vec<&Member> = members.iter().collect();
    ordered.sort_by_key(|m| (m.created_at, depth(&parents, &m.id), m.id.as_str()));
    let sounds = |m: &&Member| m.state == TakeState::Placed.word() || m.laid_before == 1;
    let stands = ordered.iter().rposition(sounds);
    let mut changes = Vec::new();
    for (at, member) in ordered.iter().enumerate() {
        let by = stands.filter(|stands| at < *stands).map(|stands| ordered[stands].id.as_str());
        if member.replaced_by.as_deref() != by {
            changes.push((member.id.as_str(), by));
        }
    }
    changes
}

/// How many takes came before one, each in place of the last.
fn depth(parents: &BTreeMap<&str, Option<&str>>, id: &str) -> usize {
    let mut at = parents.get(id).copied().flatten();
    let mut depth = 0;
    // A take is made after the one it names, so this ends; the bound only makes that plain.
    while let Some(parent) = at.filter(|_| depth < parents.len()) {
        depth += 1;
        at = parents.get(parent).copied().flatten();
    }
    depth
}
