//! A disk whose power can be cut: what was synced stays, of the rest any part.
//!
//! The files themselves are real ones, so that whatever reads them reads as
//! ever. Kept beside them is what a cut of the power may take back: bytes not
//! synced since, overwritten places, and names of a folder that was not synced.
//! A tail that the file system had given room but no bytes yet is zeros.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, ErrorKind, Seek as _, SeekFrom, Write as _};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use spanhold::pipeline::capture::DiskSpace;
use spanhold::recorder::{OpenAs, RecorderError, SpaceForecast, Storage, SystemStorage};

/// What is not synced of one file.
#[derive(Debug, Default, Clone)]
struct Unsynced {
    /// Bytes that a cut of the power leaves in any case.
    synced_bytes: u64,
    /// Places within them that were overwritten since, with what was there.
    overwritten: Vec<(u64, Vec<u8>)>,
}

/// A change of names in a folder.
#[derive(Debug)]
enum Naming {
    Made(PathBuf),
    Renamed {
        from: PathBuf,
        to: PathBuf,
        replaced: Option<(Vec<u8>, Unsynced)>,
    },
    Removed(PathBuf, Vec<u8>, Unsynced),
}

#[derive(Debug, Default)]
struct State {
    is_off: bool,
    /// The power goes after so many more things done.
    goes_off_after: Option<u32>,
    files: BTreeMap<PathBuf, Unsynced>,
    /// By folder, in order.
    names: BTreeMap<PathBuf, Vec<Naming>>,
    /// Bytes that still find room; without a limit `None`.
    room: Option<u64>,
    /// Whether the system says how little room there is.
    room_is_known: bool,
    /// Whether the next sync fails, as a dying disk's does.
    sync_fails: bool,
    /// Files whose name ends so are never synced: a mistake for the simulation
    /// to find.
    never_synced: Option<&'static str>,
}

/// The disk of a simulation.
#[derive(Debug, Default)]
pub struct SimulatedDisk(Mutex<State>);

impl SimulatedDisk {
    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    pub fn never_sync(&self, name: &'static str) {
        self.state().never_synced = Some(name);
    }

    pub fn leave_room(&self, bytes: Option<u64>, is_known: bool) {
        let mut state = self.state();
        state.room = bytes;
        state.room_is_known = is_known;
    }

    pub fn fail_next_sync(&self, fails: bool) {
        self.state().sync_fails = fails;
    }

    /// Cuts the power after so many more writes, syncs and the like.
    pub fn cut_power_after(&self, things: u32) {
        self.state().goes_off_after = Some(things);
    }

    pub fn is_off(&self) -> bool {
        self.state().is_off
    }

    /// Nothing is written while the power is off: what a program has in hand
    /// when it is killed is lost.
    pub fn set_power(&self, is_on: bool) {
        let mut state = self.state();
        state.is_off = !is_on;
        state.goes_off_after = None;
    }

    /// Takes back what a cut of the power may take back.
    pub fn lose_unsynced(&self, chance: &mut ChaCha8Rng) {
        let mut state = self.state();
        for (_, mut names) in std::mem::take(&mut state.names) {
            let kept = chance.random_range(0..=names.len());
            for naming in names.drain(kept..).rev() {
                undo(naming, &mut state.files);
            }
        }
        for (path, unsynced) in std::mem::take(&mut state.files) {
            tear(&path, &unsynced, chance);
        }
    }
}

fn undo(naming: Naming, files: &mut BTreeMap<PathBuf, Unsynced>) {
    match naming {
        Naming::Made(path) => {
            let _ = fs::remove_file(&path);
            files.remove(&path);
        }
        Naming::Renamed { from, to, replaced } => {
            let _ = fs::rename(&to, &from);
            if let Some(unsynced) = files.remove(&to) {
                files.insert(from, unsynced);
            }
            if let Some((bytes, unsynced)) = replaced {
                let _ = fs::write(&to, bytes);
                files.insert(to, unsynced);
            }
        }
        Naming::Removed(path, bytes, unsynced) => {
            let _ = fs::write(&path, bytes);
            files.insert(path, unsynced);
        }
    }
}

/// Any part of what was not synced, in any order.
fn tear(path: &Path, unsynced: &Unsynced, chance: &mut ChaCha8Rng) {
    let Ok(mut file) = fs::OpenOptions::new().read(true).write(true).open(path) else {
        return;
    };
    let length = file.metadata().unwrap().len();
    let stays = unsynced.synced_bytes.min(length);
    let end = chance.random_range(stays..=length);
    file.set_len(end).unwrap();
    if end > stays && chance.random_bool(0.3) {
        let from = chance.random_range(stays..end);
        file.seek(SeekFrom::Start(from)).unwrap();
        file.write_all(&vec![0; (end - from) as usize]).unwrap();
    }
    for (offset, before) in unsynced.overwritten.iter().rev() {
        if chance.random_bool(0.5) {
            file.seek(SeekFrom::Start(*offset)).unwrap();
            file.write_all(before).unwrap();
        }
    }
}

fn off() -> io::Error {
    io::Error::other("the power is off")
}

fn full() -> io::Error {
    io::Error::from(ErrorKind::StorageFull)
}

impl State {
    fn on(&mut self) -> io::Result<()> {
        if let Some(left) = &mut self.goes_off_after {
            if *left == 0 {
                self.goes_off_after = None;
                self.is_off = true;
            } else {
                *left -= 1;
            }
        }
        if self.is_off { Err(off()) } else { Ok(()) }
    }

    fn named(&mut self, path: &Path, naming: Naming) {
        let folder = path.parent().unwrap().to_owned();
        self.names.entry(folder).or_default().push(naming);
    }

    /// What is known of a file; all of one that was not touched yet is synced.
    fn of(&mut self, path: &Path) -> &mut Unsynced {
        self.files
            .entry(path.to_owned())
            .or_insert_with(|| Unsynced {
                synced_bytes: fs::metadata(path).map_or(0, |file| file.len()),
                overwritten: Vec::new(),
            })
    }
}

impl Storage for SimulatedDisk {
    fn open(&self, path: &Path, how: OpenAs) -> io::Result<File> {
        let mut state = self.state();
        state.on()?;
        let existed = path.exists();
        if how == OpenAs::Emptied && existed {
            // Such a file stands under another name until it is whole.
            state.files.insert(path.to_owned(), Unsynced::default());
        } else if existed {
            state.of(path);
        }
        let file = SystemStorage.open(path, how)?;
        if !existed {
            state.files.insert(path.to_owned(), Unsynced::default());
            state.named(path, Naming::Made(path.to_owned()));
        }
        Ok(file)
    }

    fn write(&self, path: &Path, file: &mut File, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        let length = file.metadata()?.len();
        let appends = !path.to_string_lossy().ends_with(".wav");
        let at = if appends {
            length
        } else {
            file.stream_position()?
        };
        let more = (at + bytes.len() as u64).saturating_sub(length);
        let mut fits = bytes.len();
        if let Some(room) = &mut state.room {
            let short = more.saturating_sub(*room);
            fits -= short as usize;
            *room -= more - short;
        }
        let within = length.saturating_sub(at).min(fits as u64) as usize;
        if within > 0 {
            let mut before = vec![0; within];
            // It was opened for writing only.
            File::open(path)?.read_exact_at(&mut before, at)?;
            state.of(path).overwritten.push((at, before));
        } else {
            state.of(path);
        }
        file.write_all(&bytes[..fits])?;
        if fits < bytes.len() {
            Err(full())
        } else {
            Ok(())
        }
    }

    fn set_length(&self, path: &Path, file: &File, bytes: u64) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        let unsynced = state.of(path);
        unsynced.synced_bytes = unsynced.synced_bytes.min(bytes);
        let length = file.metadata()?.len();
        if let Some(room) = &mut state.room {
            *room += length.saturating_sub(bytes);
        }
        file.set_len(bytes)
    }

    fn sync(&self, path: &Path, file: &File) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        if std::mem::take(&mut state.sync_fails) {
            return Err(io::Error::other("input/output error"));
        }
        if state.never_synced.is_some_and(|name| path.ends_with(name)) {
            return Ok(());
        }
        let synced = Unsynced {
            synced_bytes: file.metadata()?.len(),
            overwritten: Vec::new(),
        };
        state.files.insert(path.to_owned(), synced);
        Ok(())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        let replaced = fs::read(to).ok().map(|bytes| {
            let unsynced = state.of(to).clone();
            (bytes, unsynced)
        });
        SystemStorage.rename(from, to)?;
        if let Some(unsynced) = state.files.remove(from) {
            state.files.insert(to.to_owned(), unsynced);
        }
        let (from, to) = (from.to_owned(), to.to_owned());
        let naming = Naming::Renamed {
            from,
            to: to.clone(),
            replaced,
        };
        state.named(&to, naming);
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        let bytes = fs::read(path)?;
        let unsynced = state.of(path).clone();
        SystemStorage.remove(path)?;
        state.files.remove(path);
        let naming = Naming::Removed(path.to_owned(), bytes, unsynced);
        state.named(path, naming);
        Ok(())
    }

    fn create_folder(&self, path: &Path) -> io::Result<()> {
        self.state().on()?;
        SystemStorage.create_folder(path)
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.on()?;
        if !path.is_dir() {
            return Err(ErrorKind::NotFound.into());
        }
        state.names.remove(path);
        Ok(())
    }
}

impl DiskSpace for SimulatedDisk {
    fn forecast(
        &self,
        _folder: &Path,
        bytes_per_second: f64,
        reserve_bytes: u64,
    ) -> Result<SpaceForecast, RecorderError> {
        let state = self.state();
        let free = match state.room {
            Some(room) if state.room_is_known => room,
            _ => 1 << 40,
        };
        Ok(SpaceForecast::from_free(
            free,
            bytes_per_second,
            reserve_bytes,
        ))
    }
}

/// The chance of a seed.
pub fn chance(seed: u64, stream: u64) -> ChaCha8Rng {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    chance.set_stream(stream);
    chance
}
