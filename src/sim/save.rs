//! A state's canonical bytes: for saving, restoring and hashing.
//!
//! Postcard, little-endian, with damage stored sparsely and fragment numbers as runs. The hash is BLAKE3 of these bytes.
//! A saved state carries the format's version and the digest of its model, so that it is refused rather than misread.

use crate::sim::{Model, State};
use thiserror::Error;

/// Version of the saved form.
const FORMAT: u8 = 1;

/// Why a saved state cannot be restored.
#[derive(Debug, Error)]
pub enum RestoreError {
    /// The bytes are of another version, or not a saved state.
    #[error("not a saved state of format {FORMAT}")]
    Format,
    /// It belongs to another model.
    #[error("the saved state belongs to another case or seed")]
    Model,
    /// The bytes are damaged.
    #[error("the saved state is damaged: {0}")]
    Damaged(#[from] postcard::Error),
}

impl State {
    /// The canonical bytes. Empty only if memory cannot be had.
    fn canonical(&self) -> Vec<u8> {
        // Plain data of known length: serialisation into memory has no other way to fail.
        postcard::to_stdvec(self).unwrap_or_default()
    }

    /// BLAKE3 over the canonical bytes.
    pub fn hash(&self) -> blake3::Hash {
        blake3::hash(&self.canonical())
    }

    /// Bytes from which `restore` continues bit for bit.
    pub fn save(&self, model: &Model) -> Vec<u8> {
        let mut bytes = vec![FORMAT];
        bytes.extend_from_slice(&model.digest);
        bytes.extend_from_slice(&self.canonical());
        bytes
    }

    /// The state saved in these bytes.
    pub fn restore(model: &Model, bytes: &[u8]) -> Result<Self, RestoreError> {
        let (head, body) = bytes.split_at_checked(33).ok_or(RestoreError::Format)?;
        if head[0] != FORMAT {
            return Err(RestoreError::Format);
        }
        if head[1..] != model.digest {
            return Err(RestoreError::Model);
        }
        let state: State = postcard::from_bytes(body)?;
        let count = model.cells.count();
        if state.lens.damage.len() != count * 13 || state.lens.fragment.len() != count {
            return Err(RestoreError::Model);
        }
        Ok(state)
    }
}

/// Mostly zeros: (length, [(gap since the last, value)]).
pub(crate) mod sparse {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(values: &[f32], to: S) -> Result<S::Ok, S::Error> {
        let mut last = 0;
        let mut pairs = Vec::new();
        for (i, &value) in values.iter().enumerate().filter(|(_, v)| **v != 0.0) {
            pairs.push(((i - last) as u32, value));
            last = i;
        }
        (values.len() as u32, pairs).serialize(to)
    }

    pub fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<f32>, D::Error> {
        let (length, pairs) = <(u32, Vec<(u32, f32)>)>::deserialize(from)?;
        let mut values = vec![0.0; checked(length).map_err(serde::de::Error::custom)?];
        let mut at = 0usize;
        for (gap, value) in pairs {
            at += gap as usize;
            *values.get_mut(at).ok_or_else(|| serde::de::Error::custom("bond beyond the lens"))? = value;
        }
        Ok(values)
    }

    /// No lens has so many bonds; damaged bytes must not ask for all of the memory.
    pub(super) fn checked(length: u32) -> Result<usize, &'static str> {
        if length <= 100_000_000 { Ok(length as usize) } else { Err("length beyond any lens") }
    }
}

/// Long runs of the same: [(length, value)].
pub(crate) mod runs {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(values: &[u16], to: S) -> Result<S::Ok, S::Error> {
        let runs: Vec<(u32, u16)> = values.chunk_by(|a, b| a == b).map(|run| (run.len() as u32, run[0])).collect();
        runs.serialize(to)
    }

    pub fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<u16>, D::Error> {
        let runs = <Vec<(u32, u16)>>::deserialize(from)?;
        let mut values = Vec::new();
        for (length, value) in runs {
            let length = super::sparse::checked(length).map_err(serde::de::Error::custom)?;
            super::sparse::checked((values.len() + length) as u32).map_err(serde::de::Error::custom)?;
            values.resize(values.len() + length, value);
        }
        Ok(values)
    }
}
