//! A line whose system calls block, in a thread of its own: a serial port or a USB-TMC device.
//!
//! Model: the thread takes a job, does it, and hands it back with its buffers, so that an exchange
//! allocates nothing. Between jobs it sleeps in its channel. A serial port's job ends by itself at
//! its deadline; one on a USB-TMC device ends when the driver gives up. The asynchronous side gives
//! a thread up as hung when neither happens: a driver may block a `read` for ever, and only a
//! thread can be left behind.

pub(super) mod serial;
pub(super) mod usbtmc;

use super::error::Broken;
use super::{LinkError, OPEN_DEADLINE};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout, timeout_at};

/// How much later than its deadline a job that watches it may come back before the port counts as
/// hung.
const HUNG_AFTER: Duration = Duration::from_millis(1500);
/// How long closing may take.
const CLOSE_DEADLINE: Duration = Duration::from_secs(2);
/// Room that buffers start with (bytes).
const BUFFER: usize = 512;
/// Stack of the port's thread (bytes): it holds no large values.
const STACK: usize = 128 * 1024;

/// What the port's thread is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Task {
    /// Make sure that nothing came unasked, write, read a line.
    Exchange,
    /// Write.
    Write,
    /// Read a line.
    ReadLine,
    /// Read what comes next, whatever it is.
    Receive,
    /// Throw away what comes until the line is silent this long.
    Drain(Duration),
}

/// A job on its way to the thread and back.
#[derive(Debug)]
struct Job {
    task: Task,
    out: Vec<u8>,
    reply: Vec<u8>,
    deadline: std::time::Instant,
    result: Result<(), Broken>,
}

/// A port as its thread sees it: blocking calls.
trait Port {
    fn carry_out(&mut self, job: &mut Job) -> Result<(), Broken>;
}

/// When a job is over that doesn't come back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Patience {
    /// The job watches its deadline; much later than that it is hung.
    Own,
    /// Only the driver ends the job, this long after its deadline at the latest. Until then the
    /// line waits, and the caller has its deadline all the same.
    Driver(Duration),
}

/// Does jobs until the other side lets go of the channel; then closes the port.
fn work(mut port: impl Port, jobs: &Receiver<Job>, done: &mpsc::Sender<Job>, beats: &AtomicU64) {
    while let Ok(mut job) = jobs.recv() {
        job.result = port.carry_out(&mut job);
        beats.fetch_add(1, Ordering::Relaxed);
        if done.try_send(job).is_err() {
            return;
        }
    }
}

#[derive(Debug)]
pub(super) struct ThreadLine {
    /// None only while closing.
    jobs: Option<SyncSender<Job>>,
    done: mpsc::Receiver<Job>,
    /// The job's buffers between exchanges; none while the thread has them.
    idle: Option<Job>,
    /// The deadline of the job the thread was given last.
    busy_until: Instant,
    patience: Patience,
    beats: Arc<AtomicU64>,
}

impl ThreadLine {
    async fn open<P: Port>(
        address: Box<str>,
        patience: Patience,
        open: impl FnOnce() -> Result<P, LinkError> + Send + 'static,
    ) -> Result<Self, LinkError> {
        let (jobs, inbox) = std::sync::mpsc::sync_channel(1);
        let (outbox, done) = mpsc::channel(1);
        let (opened, opening) = tokio::sync::oneshot::channel();
        let beats = Arc::new(AtomicU64::new(0));
        let beating = Arc::clone(&beats);
        std::thread::Builder::new()
            .name("line".to_owned())
            .stack_size(STACK)
            .spawn(move || {
                let port = match open() {
                    Ok(port) => port,
                    Err(error) => {
                        let _ = opened.send(Err(error));
                        return;
                    }
                };
                if opened.send(Ok(())).is_ok() {
                    work(port, &inbox, &outbox, &beating);
                }
            })
            .map_err(|source| LinkError::NoRoom { address: address.clone(), source })?;
        match timeout(OPEN_DEADLINE, opening).await {
            Ok(Ok(result)) => result?,
            Ok(Err(_)) | Err(_) => return Err(LinkError::OpenDeadline { address }),
        }
        let idle = Job {
            task: Task::Write,
            out: Vec::with_capacity(BUFFER),
            reply: Vec::with_capacity(BUFFER),
            deadline: std::time::Instant::now(),
            result: Ok(()),
        };
        let (jobs, idle, busy_until) = (Some(jobs), Some(idle), Instant::now());
        Ok(Self { jobs, done, idle, busy_until, patience, beats })
    }

    pub(super) fn heartbeat(&self) -> u64 {
        self.beats.load(Ordering::Relaxed)
    }

    /// Waits for the thread to hand the job back.
    async fn take_back(&mut self, limit: Instant, over: Broken) -> Result<Job, Broken> {
        match timeout_at(limit, self.done.recv()).await {
            Err(_) => Err(over),
            Ok(None) => Err(Broken::Closed),
            Ok(Some(job)) => Ok(job),
        }
    }

    /// The job's buffers, once the thread has done what a caller before gave up. Whatever that
    /// brought is too late and thrown away.
    async fn free(&mut self) -> Result<Job, Broken> {
        let longest = match self.patience {
            Patience::Own => HUNG_AFTER,
            Patience::Driver(longest) => longest,
        };
        match self.idle.take() {
            Some(job) => Ok(job),
            None => self.take_back(self.busy_until + longest, Broken::Hung).await,
        }
    }

    async fn run(
        &mut self,
        task: Task,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        let allowed = deadline.saturating_duration_since(Instant::now());
        let mut job = self.free().await?;
        let deadline = deadline.max(Instant::now() + allowed);
        job.task = task;
        job.out.clear();
        job.out.extend_from_slice(out);
        job.reply.clear();
        job.deadline = deadline.into_std();
        self.busy_until = deadline;
        let jobs = self.jobs.as_ref().ok_or(Broken::Closed)?;
        jobs.try_send(job).map_err(|_| Broken::Closed)?;
        let mut job = match self.patience {
            Patience::Own => self.take_back(deadline + HUNG_AFTER, Broken::Hung).await?,
            Patience::Driver(_) => self.take_back(deadline, Broken::Deadline).await?,
        };
        std::mem::swap(reply, &mut job.reply);
        let result = std::mem::replace(&mut job.result, Ok(()));
        self.idle = Some(job);
        result
    }

    pub(super) async fn exchange(
        &mut self,
        out: &[u8],
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Exchange, out, reply, deadline).await
    }

    pub(super) async fn write(&mut self, out: &[u8], deadline: Instant) -> Result<(), Broken> {
        self.run(Task::Write, out, &mut Vec::new(), deadline).await
    }

    pub(super) async fn read_line(
        &mut self,
        reply: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::ReadLine, &[], reply, deadline).await
    }

    /// Reads what comes next, whatever it is.
    pub(super) async fn receive(
        &mut self,
        bytes: &mut Vec<u8>,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Receive, &[], bytes, deadline).await
    }

    pub(super) async fn drain(
        &mut self,
        silence: Duration,
        deadline: Instant,
    ) -> Result<(), Broken> {
        self.run(Task::Drain(silence), &[], &mut Vec::new(), deadline).await
    }

    /// Ends the thread and waits until the port is closed: one that is still open can't be opened
    /// again, and a replugged adapter would get the next number.
    pub(super) async fn close(mut self) {
        self.jobs = None;
        // The channel ends when the thread does, or the thread is hung and nothing helps.
        let _ = timeout(CLOSE_DEADLINE, async { while self.done.recv().await.is_some() {} }).await;
    }
}
