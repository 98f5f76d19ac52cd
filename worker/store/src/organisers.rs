//! Organisers: who may run the desk, known by a token.

use serde::Serialize;
use sqlx::FromRow;

use crate::Store;
use crate::database::{all, first, run};
use crate::error::{Result, StoreError};
use crate::ids::{Secret, hash_secret, new_id};

/// An organiser's record; the token itself is kept nowhere.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Organiser {
    /// Its id.
    pub id: String,
    /// A name for the list of who saved what.
    pub name: String,
    /// When it was made.
    pub created_at: i64,
    /// When it stopped being valid.
    pub revoked_at: Option<i64>,
}

impl Store {
    /// Makes an organiser and the token to hand out, which cannot be shown again.
    pub async fn create_organiser(&self, name: &str, now_us: i64) -> Result<(Organiser, Secret)> {
        let token = Secret::new()?;
        let organiser = Organiser {
            id: new_id(now_us)?,
            name: name.to_owned(),
            created_at: now_us,
            revoked_at: None,
        };
        let mut tx = self.begin().await?;
        run!(
            tx,
            "insert into organisers (id, name, token_hash, created_at) values ($1, $2, $3, $4)",
            &organiser.id,
            name,
            token.hash(),
            now_us,
        )?;
        tx.commit().await?;
        Ok((organiser, token))
    }

    /// Makes the first organiser if there is none: gives its token at a first start, `None` ever
    /// after. Two servers starting at once make one.
    pub async fn create_first_organiser(&self, name: &str, now_us: i64) -> Result<Option<Secret>> {
        let token = Secret::new()?;
        let mut tx = self.begin().await?;
        let made = run!(
            tx,
            "insert into organisers (id, name, token_hash, created_at)
             select $1, $2, $3, $4 where not exists (select 1 from organisers)",
            new_id(now_us)?,
            name,
            token.hash(),
            now_us,
        )?;
        tx.commit().await?;
        Ok((made == 1).then_some(token))
    }

    /// The organiser whose valid token this is.
    pub async fn find_organiser(&self, token: &str) -> Result<Option<Organiser>> {
        let mut link = self.read().await?;
        first!(
            Organiser,
            link,
            "select id, name, created_at, revoked_at from organisers
             where token_hash = $1 and revoked_at is null",
            hash_secret(token),
        )
    }

    /// All organisers, oldest first.
    pub async fn list_organisers(&self) -> Result<Vec<Organiser>> {
        let mut link = self.read().await?;
        all!(Organiser, link, "select id, name, created_at, revoked_at from organisers order by id")
    }

    /// Makes an organiser's token invalid from now on.
    pub async fn revoke_organiser(&self, id: &str, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update organisers set revoked_at = coalesce(revoked_at, $2) where id = $1",
            id,
            now_us,
        )?;
        tx.commit().await?;
        if touched == 0 { Err(StoreError::not_found("organiser", id)) } else { Ok(()) }
    }
}
