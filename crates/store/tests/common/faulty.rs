//! A storage in memory that can be killed at any call, fail one call, and lose what was not
//! synced.
//!
//! Model: a file has content and durable content; a folder has names and durable names. `sync`
//! makes content durable, `sync_dir` makes the names of one folder durable. At a power loss what
//! is not durable is gone (or, in the other world, the names are there and the content is torn).

use metersift_store::storage::{Entry, NewFile, OpenFile, Storage};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};
use std::sync::{Arc, Mutex};
use std::time::Duration;

#[derive(Clone, Default, Debug)]
struct Content {
    live: Vec<u8>,
    durable: Option<Vec<u8>>,
}

#[derive(Clone, Default, Debug)]
pub struct World {
    contents: Vec<Content>,
    names: BTreeMap<String, usize>,
    durable_names: BTreeMap<String, usize>,
    folders: BTreeSet<String>,
    durable_folders: BTreeSet<String>,
    /// Changes of names that no sync has made durable, in order.
    pending: Vec<NameChange>,
}

/// One change of names; a rename happens whole or not at all.
#[derive(Clone, Debug)]
enum NameChange {
    Created(String, usize),
    Renamed(String, String, usize),
    Removed(String),
}

impl NameChange {
    fn touches(&self, folder: &str) -> bool {
        match self {
            NameChange::Created(name, _) | NameChange::Removed(name) => folder_of(name) == folder,
            NameChange::Renamed(from, to, _) => {
                folder_of(from) == folder || folder_of(to) == folder
            }
        }
    }

    fn apply(&self, names: &mut BTreeMap<String, usize>) {
        match self {
            NameChange::Created(name, id) => {
                names.insert(name.clone(), *id);
            }
            NameChange::Renamed(from, to, id) => {
                names.remove(from);
                names.insert(to.clone(), *id);
            }
            NameChange::Removed(name) => {
                names.remove(name);
            }
        }
    }
}

/// What is left after the end of a process.
#[derive(Clone, Copy, Debug)]
pub enum Ending {
    /// The process died; the system writes everything in time.
    Killed,
    /// Power was lost: names and content that were not synced are gone.
    AllUnsyncedLost,
    /// Power was lost: names are there, content that was not synced is cut in half.
    ContentTorn,
    /// Power was lost: of the changes of names that were not synced those are there whose bit is
    /// set (the first change has the lowest; beyond 64 they begin anew), content as it was synced.
    SomeNames(u64),
}

impl World {
    /// The world that the next start finds.
    pub fn after(&self, ending: Ending) -> World {
        let mut world = self.clone();
        match ending {
            Ending::Killed => {}
            Ending::AllUnsyncedLost => {
                world.folders = world
                    .durable_folders
                    .iter()
                    .filter(|folder| ancestors(folder).all(|a| self.durable_folders.contains(a)))
                    .cloned()
                    .collect();
                world.names = self
                    .durable_names
                    .iter()
                    .filter(|(name, _)| ancestors(name).all(|a| world.folders.contains(a)))
                    .map(|(name, &id)| (name.clone(), id))
                    .collect();
                for content in &mut world.contents {
                    content.live = content.durable.clone().unwrap_or_default();
                }
            }
            Ending::SomeNames(bits) => {
                world.names = self.durable_names.clone();
                for (i, change) in self.pending.iter().enumerate() {
                    if bits >> (i % 64) & 1 == 1 {
                        change.apply(&mut world.names);
                    }
                }
                for content in &mut world.contents {
                    content.live = content.durable.clone().unwrap_or_default();
                }
            }
            Ending::ContentTorn => {
                for content in &mut world.contents {
                    if content.durable.as_ref() != Some(&content.live) {
                        content.live.truncate(content.live.len() / 2);
                    }
                }
            }
        }
        for content in &mut world.contents {
            content.durable = Some(content.live.clone());
        }
        world.pending.clear();
        world.durable_names = world.names.clone();
        world.durable_folders = world.folders.clone();
        world
    }

    /// How many changes of names are not durable.
    pub fn pending(&self) -> usize {
        self.pending.len()
    }

    pub fn file_names(&self) -> Vec<String> {
        self.names.keys().cloned().collect()
    }

    /// Changes one bit of a file, as a disk might.
    pub fn flip(&mut self, name: &str, bit: usize) {
        let content = &mut self.contents[self.names[name]];
        for bytes in [Some(&mut content.live), content.durable.as_mut()].into_iter().flatten() {
            bytes[bit / 8] ^= 1 << (bit % 8);
        }
    }

    pub fn content(&self, name: &str) -> &[u8] {
        &self.contents[self.names[name]].live
    }
}

fn ancestors(path: &str) -> impl Iterator<Item = &str> {
    path.char_indices().filter(|&(_, c)| c == '/').map(move |(i, _)| &path[..i])
}

/// When calls fail.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    Never,
    /// This call and all after it fail: the process is dead.
    KilledAt(usize),
    /// Only this call fails.
    OnceAt(usize),
    /// Renames to a path with this ending fail so many times.
    RenamesTo(&'static str, usize),
}

struct Inner {
    world: World,
    calls: usize,
    fault: Fault,
    /// The system's number of the error; none for one without.
    code: Option<i32>,
    log: Vec<String>,
    /// Time that was waited.
    paused: Duration,
}

#[derive(Clone)]
pub struct FaultyStorage(Arc<Mutex<Inner>>);

impl FaultyStorage {
    pub fn new(world: World, fault: Fault) -> FaultyStorage {
        FaultyStorage::failing(world, fault, None)
    }
    /// As [`FaultyStorage::new`], failing with an error of the system.
    pub fn failing(world: World, fault: Fault, code: Option<i32>) -> FaultyStorage {
        let (log, paused) = (Vec::new(), Duration::ZERO);
        FaultyStorage(Arc::new(Mutex::new(Inner { world, calls: 0, fault, code, log, paused })))
    }
    pub fn paused(&self) -> Duration {
        self.0.lock().unwrap().paused
    }
    pub fn world(&self) -> World {
        self.0.lock().unwrap().world.clone()
    }
    pub fn calls(&self) -> usize {
        self.0.lock().unwrap().calls
    }
    pub fn log(&self) -> Vec<String> {
        self.0.lock().unwrap().log.clone()
    }

    fn call<T>(&self, what: String, f: impl FnOnce(&mut World) -> io::Result<T>) -> io::Result<T> {
        let mut inner = self.0.lock().unwrap();
        inner.calls += 1;
        inner.log.push(what);
        let calls = inner.calls;
        let what = inner.log[inner.log.len() - 1].clone();
        let failed = match &mut inner.fault {
            Fault::Never => false,
            Fault::RenamesTo(end, times) => {
                let hit = *times > 0 && what.starts_with("rename ") && what.ends_with(*end);
                *times -= usize::from(hit);
                hit
            }
            Fault::KilledAt(n) => calls >= *n,
            Fault::OnceAt(n) => calls == *n,
        };
        if failed {
            let code = inner.code;
            return Err(
                code.map_or_else(|| io::Error::other("injected"), io::Error::from_raw_os_error)
            );
        }
        f(&mut inner.world)
    }
}

struct Handle {
    storage: FaultyStorage,
    id: usize,
    name: String,
}

impl Write for Handle {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let id = self.id;
        let result = self.storage.call(format!("write {}", self.name), |world| {
            world.contents[id].live.extend_from_slice(bytes);
            Ok(bytes.len())
        });
        if result.is_err() {
            // A failing write may leave a part behind.
            let mut inner = self.storage.0.lock().unwrap();
            inner.world.contents[id].live.extend_from_slice(&bytes[..bytes.len() / 3]);
        }
        result
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl NewFile for Handle {
    fn sync(&mut self) -> io::Result<()> {
        let id = self.id;
        self.storage.call(format!("sync {}", self.name), |world| {
            world.contents[id].durable = Some(world.contents[id].live.clone());
            Ok(())
        })
    }
}

impl OpenFile for Handle {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        let id = self.id;
        self.storage.call(format!("read_at {}", self.name), |world| {
            let from = offset as usize;
            let part = world.contents[id].live.get(from..from + buffer.len());
            buffer.copy_from_slice(part.ok_or(io::ErrorKind::UnexpectedEof)?);
            Ok(())
        })
    }
}

fn folder_of(path: &str) -> &str {
    path.rsplit_once('/').map_or("", |(folder, _)| folder)
}

fn id_of(world: &World, path: &str) -> io::Result<usize> {
    world.names.get(path).copied().ok_or_else(|| io::ErrorKind::NotFound.into())
}

fn must_have_folder(world: &World, path: &str) -> io::Result<()> {
    let folder = folder_of(path);
    if folder.is_empty() || world.folders.contains(folder) {
        return Ok(());
    }
    Err(io::ErrorKind::NotFound.into())
}

impl Storage for FaultyStorage {
    fn pause(&self, time: Duration) {
        self.0.lock().unwrap().paused += time;
    }

    fn read(&self, path: &str) -> io::Result<Vec<u8>> {
        self.call(format!("read {path}"), |world| {
            Ok(world.contents[id_of(world, path)?].live.clone())
        })
    }

    fn open(&self, path: &str) -> io::Result<Box<dyn OpenFile>> {
        let id = self.call(format!("open {path}"), |world| id_of(world, path))?;
        Ok(Box::new(Handle { storage: self.clone(), id, name: path.into() }))
    }

    fn create(&self, path: &str) -> io::Result<Box<dyn NewFile>> {
        let id = self.call(format!("create {path}"), |world| {
            must_have_folder(world, path)?;
            world.contents.push(Content::default());
            let id = world.contents.len() - 1;
            world.names.insert(path.into(), id);
            world.pending.push(NameChange::Created(path.into(), id));
            Ok(id)
        })?;
        Ok(Box::new(Handle { storage: self.clone(), id, name: path.into() }))
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        self.call(format!("rename {from} {to}"), |world| {
            must_have_folder(world, to)?;
            let id = id_of(world, from)?;
            world.names.remove(from);
            world.names.insert(to.into(), id);
            world.pending.push(NameChange::Renamed(from.into(), to.into(), id));
            Ok(())
        })
    }

    fn remove(&self, path: &str) -> io::Result<()> {
        self.call(format!("remove {path}"), |world| {
            if world.names.remove(path).is_some() {
                world.pending.push(NameChange::Removed(path.into()));
            }
            Ok(())
        })
    }

    fn remove_dir(&self, path: &str) -> io::Result<()> {
        self.call(format!("remove_dir {path}"), |world| {
            let below = format!("{path}/");
            let gone = world.names.keys().filter(|name| name.starts_with(&below));
            world.pending.extend(gone.cloned().map(NameChange::Removed));
            world.names.retain(|name, _| !name.starts_with(&below));
            world.folders.retain(|name| name != path && !name.starts_with(&below));
            Ok(())
        })
    }

    fn create_dir(&self, path: &str) -> io::Result<()> {
        self.call(format!("create_dir {path}"), |world| {
            let parents: Vec<String> = ancestors(path).map(String::from).collect();
            world.folders.extend(parents);
            world.folders.insert(path.into());
            Ok(())
        })
    }

    fn sync_dir(&self, path: &str) -> io::Result<()> {
        self.call(format!("sync_dir {path}"), |world| {
            if !path.is_empty() && !world.folders.contains(path) {
                return Err(io::ErrorKind::NotFound.into());
            }
            let live: Vec<(String, usize)> = world
                .names
                .iter()
                .filter(|(name, _)| folder_of(name) == path)
                .map(|(name, &id)| (name.clone(), id))
                .collect();
            // The other folder of a rename is no longer in doubt either.
            for change in world.pending.iter().filter(|change| change.touches(path)) {
                if let NameChange::Renamed(from, _, id) = change
                    && world.durable_names.get(from) == Some(id)
                {
                    world.durable_names.remove(from);
                }
            }
            world.pending.retain(|change| !change.touches(path));
            world.durable_names.retain(|name, _| folder_of(name) != path);
            world.durable_names.extend(live);
            let folders: Vec<String> =
                world.folders.iter().filter(|f| folder_of(f) == path).cloned().collect();
            world.durable_folders.retain(|folder| folder_of(folder) != path);
            world.durable_folders.extend(folders);
            Ok(())
        })
    }

    fn list(&self, path: &str) -> io::Result<Vec<Entry>> {
        self.call(format!("list {path}"), |world| {
            let in_folder = |name: &&String| folder_of(name) == path;
            let entry = |name: &String, is_dir| Entry {
                name: name.rsplit('/').next().unwrap_or(name).into(),
                is_dir,
            };
            let files = world.names.keys().filter(in_folder).map(|name| entry(name, false));
            let folders = world.folders.iter().filter(in_folder).map(|name| entry(name, true));
            let mut all: Vec<Entry> = files.chain(folders).collect();
            all.sort();
            Ok(all)
        })
    }

    fn size(&self, path: &str) -> io::Result<Option<u64>> {
        self.call(format!("size {path}"), |world| {
            Ok(world.names.get(path).map(|&id| world.contents[id].live.len() as u64))
        })
    }
}
