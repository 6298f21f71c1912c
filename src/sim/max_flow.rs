//! Minimum cut of an undirected network with integer capacities.
//!
//! A fracture surface is sought as the cheapest cut through a slab of cells: a few thousand nodes, each joined to up to
//! 26 neighbours, one face of the slab tied to the source and the other to the sink. The engine asks for such cuts many
//! times over, so the search has to be fast and must not allocate.
//!
//! # Method
//! Two methods take turns: push-relabel for the bulk of the flow, and a forest of augmenting paths for the rest.
//!
//! Push-relabel (Goldberg & Tarjan 1988, Journal of the ACM 35:921) chooses the node with the highest label (Cheriyan &
//! Maheshwari 1989, SIAM Journal on Computing 18:1057), with exact labels from a breadth-first search at the start of
//! every round and the gap rule (Cherkassky & Goldberg 1997, Algorithmica 19:390). Only the first phase is run: it
//! finds the cut and its value, and leaves the flow itself unfinished. Four things are fitted to slabs:
//!
//! - Tied nodes drop out of the graph. Their edges become what an inner node receives from one terminal or can hand to
//!   the other, and where an inner node has both, the smaller is settled at once.
//! - Flow is sent from the terminal whose ties are the weaker, as what exceeds the cut is pushed about for nothing.
//!   Capacities are the same in both directions, so the value is the same. If the sink sends, the smallest source side
//!   is the nodes that can still hand flow on to the source at the end; if the source sends, those that waiting flow
//!   still reaches.
//! - No node rises far above the labels that the round began with. What is then still waiting is mostly flow that is
//!   shut in, and moving it on would be work for nothing.
//! - After the draining less than one per cent of the flow is left, on up to a few hundred long ways. It goes path by
//!   path along a forest rooted at the far terminal's nodes, repaired where a path fills an arc, as in Boykov &
//!   Kolmogorov's trees (2004, IEEE TPAMI 26:1124), but from one side only. Flow that is shut in stays where it is, and
//!   the finished forest shows the cut. Where the forest gets expensive, push-relabel has another round.
//!
//! # Guarantees and limits
//! Exact, in integers throughout. The same calls in the same order give the same result on every machine, and the cut
//! itself, being the smallest source side, does not even depend on the order. There is no good bound on the worst
//! case: every round places some flow at least; the engine's graphs take one round, synthetic slabs two on average at
//! most. Nodes and twice the edges must be numbered in 32 bits. The flow on single edges is not to be had.
//!
//! # Why not a library
//! petgraph and rs-graph work on general graphs with the terminals as nodes, allocate on every call, and are slow on
//! this shape. Measured in one run, release build on a shared two-core machine, the best of repetitions each, medians
//! over the graphs; the building of the libraries' graphs is left out and that of the inner graph here included. The
//! engine's own graphs are 21 cuts through a hard core in a soft shell, with instrument lines tied to the terminals
//! (3 144 to 3 441 nodes, 35 471 to 49 209 edges; the soft shell has left the network since, and a third is left); the
//! synthetic ones are nine slabs each of 5 x 25 x 36 cells with 26
//! neighbours (4 500 nodes, 48 047 edges, capacities 50..5000):
//!
//! | graphs                | here   | rs-graph 0.21 pushrelabel | rs-graph 0.21 dinic | petgraph 0.8.3 dinics |
//! |-----------------------|--------|---------------------------|---------------------|-----------------------|
//! | the engine's own      | 1.5 ms | 9.2 ms (6 times)          | 26 ms (17 times)    | 682 ms (450 times)    |
//! | smooth field, noise   | 0.7 ms | 9.4 ms (13 times)         | 15 ms (21 times)    | 552 ms (780 times)    |
//! | every edge drawn alone| 2.7 ms | 13 ms (5 times)           | 29 ms (11 times)    | 572 ms (210 times)    |
//!
//! The engine's own took from 0.8 to 2.0 ms each, and 0.1 ms more for the calls of [`Network::connect`]. Push-relabel
//! alone, which went back to a new round where now the forest takes over, took 2.5 ms in the median and 3.1 ms at most
//! on them in the same run, but 0.55 ms on the smooth fields and 2.2 ms where every edge is drawn alone, so it was a
//! quarter faster there. What held it up was the engine's flow itself: the slab is three or four arcs deep, a third of
//! the nodes is tied to either side, 5 to 30 per cent of what the sink could send is shut in, and the last of the rest
//! takes ways of up to 40 arcs. Often a whole round went by in which nothing arrived.
//!
//! Tried on the engine's own graphs and slower: the forest alone (14 to 18 ms), incremental breadth-first search from
//! both sides (Goldberg et al. 2011; 3 to 14 ms alone, up to twice the forest's time on the rest), the lowest label
//! first, settling short ways greedily beforehand, raising the ceiling step by step, and picking out open arcs without
//! branches.

/// The places of nodes that are not inner nodes: source, sink, and both at once, which no cut can part.
const SOURCE: u32 = u32::MAX;
const SINK: u32 = u32::MAX - 1;
const BOTH: u32 = u32::MAX - 2;
/// Every place below is an inner node's.
const INNER_END: u32 = BOTH;

/// No node: the end of a bucket's list.
const NOBODY: u32 = u32::MAX;

/// The largest capacity of one stored edge. A residual grows to at most twice the capacity, which then still fits a
/// `u32`; larger capacities are stored as parallel edges.
const LARGEST: u32 = u32::MAX / 2;

/// A draining ends after this many times the graph's size in scanning work, at the latest. On slabs anything from 10
/// upwards takes about the same time; the bound matters for graphs that keep flow going round for long.
const WORK_PER_LABELLING: usize = 12;

/// The forest is given up after this many times the graph's size in scanning work. Where little flow is left it needs
/// less; where much is left it would take many times as long as another draining.
const WORK_PER_FOREST: usize = 3;

/// How far a node may rise above the highest label that waited when the round began. Without this bound the highest
/// nodes, whose flow is often shut in, pass it among themselves until the work is spent, and nothing comes down.
const HEADROOM: u32 = 5;

/// What relabelling one node costs besides the scan of its arcs, in arcs scanned.
const RELABEL_WORK: usize = 12;

/// A node's way in the forest where it is no arc: the node is tied to the far terminal and can hand flow to it.
const ROOT: u32 = u32::MAX;
/// No way is known.
const FREE: u32 = u32::MAX - 1;
/// The way was lost just now.
const ORPHAN: u32 = u32::MAX - 2;

/// One undirected edge as it was handed in.
#[derive(Clone, Copy, Debug, Default)]
struct Edge {
    a: u32,
    b: u32,
    capacity: u32,
}

/// One direction of an edge between two inner nodes.
#[derive(Clone, Copy, Debug, Default)]
struct Arc {
    head: u32,
    residual: u32,
    /// The same edge's arc in the other direction.
    sister: u32,
}

/// An undirected network with symmetric integer capacities, and its minimum cut.
///
/// Every buffer is kept between calls: after the first few cuts of a given size, nothing is allocated any more.
#[derive(Clone, Debug, Default)]
pub struct Network {
    /// For each node `SOURCE`, `SINK`, `BOTH` or its number among the inner nodes, given by `prepare`.
    places: Vec<u32>,
    edges: Vec<Edge>,
    /// Node `v` owns the arcs `first[v]..first[v + 1]`.
    first: Vec<u32>,
    arcs: Vec<Arc>,
    /// Above zero: flow waiting at the node. Below zero: what the node's ties to the far terminal can still take.
    excess: Vec<i64>,
    label: Vec<u32>,
    /// The arc at which the node's search for an open one goes on.
    current: Vec<u32>,
    /// How many nodes carry each label.
    count: Vec<u32>,
    /// For each label, the latest waiting node; `next` leads on to the others.
    bucket: Vec<u32>,
    next: Vec<u32>,
    queue: Vec<u32>,
    /// For each node the arc that leads on in the forest, or one of `ROOT`, `FREE` and `ORPHAN`.
    parent: Vec<u32>,
    /// For each node the time at which it was last found to lead to a root, and over how many arcs.
    known: Vec<(u32, u32)>,
    /// Counts the paths that flow was sent along.
    time: u32,
    /// Whether the node is in the queue and its turn has not come.
    is_active: Vec<bool>,
    orphans: Vec<u32>,
    path: Vec<u32>,
    /// Whether flow is sent from the source to the sink, and not the other way.
    is_forward: bool,
    /// Whether the labels tell the cut of the edges and ties as they are now.
    solved: bool,
}

impl Network {
    /// Empties the network and gives it `nodes` nodes, without edges or ties. The buffers stay allocated.
    ///
    /// # Panics
    /// If there are more nodes than 32 bits can number.
    pub fn reset(&mut self, nodes: usize) {
        assert!(nodes < INNER_END as usize, "{nodes} nodes are too many");
        self.solved = false;
        self.places.clear();
        self.places.resize(nodes, 0);
        self.edges.clear();
    }

    /// Adds an undirected edge that carries up to `capacity` in either direction. Parallel edges add up; a loop or an
    /// edge of capacity 0 changes nothing.
    ///
    /// # Panics
    /// If a node is not below the number given to [`Network::reset`].
    #[inline]
    pub fn connect(&mut self, a: u32, b: u32, capacity: u32) {
        let nodes = self.places.len();
        assert!((a as usize) < nodes && (b as usize) < nodes, "an edge of nodes {a} and {b} among {nodes}");
        self.solved = false;
        if a == b {
            return;
        }
        let mut left = capacity;
        while left > 0 {
            let part = left.min(LARGEST);
            self.edges.push(Edge { a, b, capacity: part });
            left -= part;
        }
    }

    /// Ties a node to the source by an infinite capacity.
    ///
    /// # Panics
    /// If the node is not below the number given to [`Network::reset`].
    pub fn tie_to_source(&mut self, node: u32) {
        self.solved = false;
        let place = &mut self.places[node as usize];
        *place = if *place == SINK || *place == BOTH { BOTH } else { SOURCE };
    }

    /// Ties a node to the sink by an infinite capacity.
    ///
    /// # Panics
    /// If the node is not below the number given to [`Network::reset`].
    pub fn tie_to_sink(&mut self, node: u32) {
        self.solved = false;
        let place = &mut self.places[node as usize];
        *place = if *place == SOURCE || *place == BOTH { BOTH } else { SINK };
    }

    /// The value of the minimum cut between source and sink; `u64::MAX` if some node is tied to both, in which case no
    /// cut exists.
    ///
    /// The call leaves edges and ties as they are; more may be added and the cut asked for again.
    ///
    /// # Panics
    /// If there are more edges than 32 bits can number in both directions.
    pub fn min_cut(&mut self) -> u64 {
        if self.places.contains(&BOTH) {
            return u64::MAX;
        }
        let mut value = self.prepare();
        let unreached = self.excess.len() as u32;
        let size = self.arcs.len() + self.excess.len();
        loop {
            self.relabel_all(unreached);
            let Some(highest) = self.fill_buckets(unreached) else { break };
            value += self.drain(highest, unreached, WORK_PER_LABELLING * size);
            let (sent, is_done) = self.finish(WORK_PER_FOREST * size);
            value += sent;
            if is_done {
                for (label, &parent) in self.label.iter_mut().zip(&self.parent) {
                    *label = if parent == FREE { unreached } else { 0 };
                }
                break;
            }
        }
        if self.is_forward {
            self.mark_reached(unreached);
        }
        self.solved = true;
        value
    }

    /// Whether the node lies on the source's side of the minimum cut. The side is the smallest there is: the nodes that
    /// the source still reaches when all flow is placed.
    ///
    /// False for every node where [`Network::min_cut`] found no cut, or was not called since the latest change, and for
    /// a node that does not exist.
    pub fn is_source_side(&self, node: u32) -> bool {
        if !self.solved {
            return false;
        }
        match self.places.get(node as usize) {
            Some(&SOURCE) => true,
            Some(&place) => self.label.get(place as usize).is_some_and(|&label| (label as usize) < self.label.len()),
            None => false,
        }
    }

    /// Numbers the inner nodes and builds their graph from the edges. Returns the flow that needs no search: through
    /// edges from a source node straight to a sink node, and through inner nodes that touch both.
    fn prepare(&mut self) -> u64 {
        assert!(self.edges.len() < LARGEST as usize, "{} edges are too many", self.edges.len());
        let mut nodes = 0;
        for place in &mut self.places {
            if *place < INNER_END {
                *place = nodes as u32;
                nodes += 1;
            }
        }
        self.first.clear();
        self.first.resize(nodes + 1, 0);
        self.excess.clear();
        self.excess.resize(nodes, 0);
        let mut direct = 0;
        let mut tied = 0;
        for edge in &self.edges {
            let (a, b) = (self.places[edge.a as usize], self.places[edge.b as usize]);
            if a < INNER_END && b < INNER_END {
                self.first[a as usize] += 1;
                self.first[b as usize] += 1;
            } else if a != b {
                let capacity = u64::from(edge.capacity);
                let (inner, tie) = (a.min(b), a.max(b));
                if inner < INNER_END {
                    tied += capacity;
                    self.excess[inner as usize] += if tie == SINK { capacity as i64 } else { -(capacity as i64) };
                } else {
                    direct += capacity;
                }
            }
        }
        // Of a node's ties to source and sink, the smaller is cancelled against the larger. What is cancelled is half
        // of what the differences lack of the sum.
        let kept: u64 = self.excess.iter().map(|excess| excess.unsigned_abs()).sum();
        direct += (tied - kept) / 2;
        // What the sink's side could send stands above zero here. If the source has less to send, it does the sending.
        let balance: i64 = self.excess.iter().sum();
        self.is_forward = balance > 0;
        if self.is_forward {
            for excess in &mut self.excess {
                *excess = -*excess;
            }
        }
        // Each node's end is laid down first and walks back to its beginning as the arcs are placed.
        let mut end = 0;
        for first in &mut self.first {
            end += *first;
            *first = end;
        }
        self.arcs.resize(end as usize, Arc::default());
        let (first, arcs) = (&mut self.first[..], &mut self.arcs[..]);
        for edge in &self.edges {
            let (a, b) = (self.places[edge.a as usize], self.places[edge.b as usize]);
            if a < INNER_END && b < INNER_END {
                first[a as usize] -= 1;
                first[b as usize] -= 1;
                let (there, back) = (first[a as usize], first[b as usize]);
                arcs[there as usize] = Arc { head: b, residual: edge.capacity, sister: back };
                arcs[back as usize] = Arc { head: a, residual: edge.capacity, sister: there };
            }
        }
        direct
    }

    /// Gives every node its exact distance, in open arcs, to the nearest node that can still hand flow to the far
    /// terminal; `unreached` where there is no way.
    fn relabel_all(&mut self, unreached: u32) {
        let nodes = self.excess.len();
        self.label.clear();
        self.label.resize(nodes, unreached);
        self.count.clear();
        self.count.resize(nodes + 1, 0);
        self.current.clear();
        self.current.extend_from_slice(&self.first[..nodes]);
        self.queue.clear();
        for (node, (excess, label)) in self.excess.iter().zip(&mut self.label).enumerate() {
            if *excess < 0 {
                *label = 0;
                self.queue.push(node as u32);
            }
        }
        if let Some(count) = self.count.first_mut() {
            *count = self.queue.len() as u32;
        }
        let (labels, arcs) = (&mut self.label[..], &self.arcs[..]);
        let mut at = 0;
        while let Some(&node) = self.queue.get(at) {
            at += 1;
            let label = labels[node as usize] + 1;
            let (from, to) = (self.first[node as usize] as usize, self.first[node as usize + 1] as usize);
            for arc in &arcs[from..to] {
                let other = &mut labels[arc.head as usize];
                if *other == unreached && arcs[arc.sister as usize].residual > 0 {
                    *other = label;
                    self.count[label as usize] += 1;
                    self.queue.push(arc.head);
                }
            }
            if self.queue.len() == nodes {
                break;
            }
        }
    }

    /// Sorts the nodes with waiting flow into the buckets of their labels. Returns the highest label with such a node.
    fn fill_buckets(&mut self, unreached: u32) -> Option<usize> {
        let nodes = self.excess.len();
        self.bucket.clear();
        self.bucket.resize(nodes + 1, NOBODY);
        self.next.resize(nodes, NOBODY);
        let mut highest = None;
        for node in 0..nodes {
            let label = self.label[node];
            if self.excess[node] > 0 && label < unreached {
                self.next[node] = self.bucket[label as usize];
                self.bucket[label as usize] = node as u32;
                highest = highest.max(Some(label as usize));
            }
        }
        highest
    }

    /// Moves waiting flow downhill, highest label first, until none is left below the ceiling or the work allowance is
    /// spent. Returns what arrived. Flow that stays waiting is looked at again in the next round, under new
    /// labels; the rounds end when the labels show that no waiting flow has a way left.
    fn drain(&mut self, mut highest: usize, unreached: u32, allowance: usize) -> u64 {
        let first = &self.first[..];
        let (arcs, excesses, labels) = (&mut self.arcs[..], &mut self.excess[..], &mut self.label[..]);
        let (buckets, nexts, counts) = (&mut self.bucket[..], &mut self.next[..], &mut self.count[..]);
        let ceiling = (highest as u32 + HEADROOM).min(unreached - 1);
        let mut value = 0;
        let mut work = 0;
        while work <= allowance {
            let node = buckets[highest];
            if node == NOBODY {
                if highest == 0 {
                    break;
                }
                highest -= 1;
                continue;
            }
            let node = node as usize;
            buckets[highest] = nexts[node];
            let mut label = labels[node];
            if label >= unreached {
                continue; // a gap below has cut it off since it was filed
            }
            let mut excess = excesses[node];
            let (from, to) = (first[node] as usize, first[node + 1] as usize);
            let mut at = self.current[node] as usize;
            loop {
                let begin = at;
                // Both conditions are mostly false and neither is foreseeable, so they are joined into one branch.
                while at < to {
                    let arc = arcs[at];
                    let head = arc.head as usize;
                    if (arc.residual > 0) & (labels[head] + 1 == label) {
                        let amount = excess.min(i64::from(arc.residual));
                        arcs[at].residual -= amount as u32;
                        arcs[arc.sister as usize].residual += amount as u32;
                        let before = excesses[head];
                        excesses[head] = before + amount;
                        if before <= 0 {
                            value += amount.min(-before) as u64;
                            if before + amount > 0 {
                                nexts[head] = buckets[label as usize - 1];
                                buckets[label as usize - 1] = arc.head;
                            }
                        }
                        excess -= amount;
                        if excess == 0 {
                            break;
                        }
                    }
                    at += 1;
                }
                work += at - begin;
                if excess == 0 {
                    break;
                }
                // No open arc leads downhill: the node rises to just above its lowest open neighbour.
                work += RELABEL_WORK + to - from;
                let mut lowest = unreached;
                at = from;
                for (index, arc) in arcs[from..to].iter().enumerate() {
                    let above = labels[arc.head as usize] + 1;
                    if (arc.residual > 0) & (above < lowest) {
                        lowest = above;
                        at = from + index;
                        if lowest == label + 1 {
                            break;
                        }
                    }
                }
                counts[label as usize] -= 1;
                if counts[label as usize] == 0 {
                    // Nothing is left at this label, so nothing above it has a way down any more.
                    for other in labels.iter_mut() {
                        *other = if *other > label { unreached } else { *other };
                    }
                    lowest = unreached;
                }
                label = lowest;
                labels[node] = label;
                if label >= unreached {
                    break;
                }
                counts[label as usize] += 1;
                if label > ceiling {
                    // It waits for the next round, where its true distance is known.
                    break;
                }
            }
            excesses[node] = excess;
            self.current[node] = at as u32;
            // Whatever was handed on lies below this node, and so does everything else that waits.
            if label <= ceiling {
                highest = label as usize;
            }
        }
        value
    }

    /// Places the flow that is left path by path, along a forest of ways to the far terminal that is kept up meanwhile.
    /// Returns what arrived, and whether all is placed that has a way; false if the work allowance was spent first.
    fn finish(&mut self, allowance: usize) -> (u64, bool) {
        let nodes = self.excess.len();
        self.time = 0;
        self.parent.clear();
        self.parent.resize(nodes, FREE);
        self.known.clear();
        self.known.resize(nodes, (0, 0));
        self.is_active.clear();
        self.is_active.resize(nodes, false);
        self.queue.clear();
        for (node, &excess) in self.excess.iter().enumerate() {
            if excess < 0 {
                self.parent[node] = ROOT;
                self.is_active[node] = true;
                self.queue.push(node as u32);
            }
        }
        let mut value = 0;
        let mut work = 0;
        let mut at = 0;
        while let Some(&node) = self.queue.get(at) {
            at += 1;
            let node = node as usize;
            self.is_active[node] = false;
            let (from, to) = (self.first[node] as usize, self.first[node + 1] as usize);
            work += to - from;
            if self.parent[node] == FREE {
                continue;
            }
            for index in from..to {
                let Arc { head, sister, .. } = self.arcs[index];
                let start = head as usize;
                if self.parent[start] != FREE || self.arcs[sister as usize].residual == 0 {
                    continue;
                }
                self.parent[start] = sister;
                self.known[start] = (self.known[node].0, self.known[node].1 + 1);
                self.activate(start);
                while self.excess[start] > 0 && self.parent[start] != FREE {
                    value += self.send(start);
                    work += 2 * self.path.len() + self.adopt();
                }
                if self.parent[node] == FREE {
                    break;
                }
            }
            if work > allowance {
                return (value, false);
            }
        }
        (value, true)
    }

    fn activate(&mut self, node: usize) {
        if !self.is_active[node] {
            self.is_active[node] = true;
            self.queue.push(node as u32);
        }
    }

    /// Sends as much of a node's waiting flow as its way in the forest takes. Nodes that lose their way become orphans,
    /// the one nearest the root first.
    fn send(&mut self, start: usize) -> u64 {
        let (arcs, parents) = (&mut self.arcs[..], &mut self.parent[..]);
        self.path.clear();
        let mut amount = u32::MAX;
        let mut root = start;
        while parents[root] != ROOT {
            let arc = arcs[parents[root] as usize];
            self.path.push(parents[root]);
            amount = amount.min(arc.residual);
            root = arc.head as usize;
        }
        let sent = i64::from(amount).min(self.excess[start]).min(-self.excess[root]);
        let amount = sent as u32;
        self.excess[start] -= sent;
        self.excess[root] += sent;
        self.orphans.clear();
        if self.excess[root] == 0 {
            parents[root] = ORPHAN;
            self.orphans.push(root as u32);
        }
        for &step in self.path.iter().rev() {
            let arc = &mut arcs[step as usize];
            arc.residual -= amount;
            let (is_full, back) = (arc.residual == 0, arc.sister as usize);
            arcs[back].residual += amount;
            if is_full {
                let node = arcs[back].head;
                parents[node as usize] = ORPHAN;
                self.orphans.push(node);
            }
        }
        self.time += 1;
        sent as u64
    }

    /// Gives every orphan a new way, or sets it free where there is none, which orphans those whose way led through it.
    /// Returns the work done.
    fn adopt(&mut self) -> usize {
        let mut work = 0;
        let mut at = 0;
        while let Some(&orphan) = self.orphans.get(at) {
            at += 1;
            let orphan = orphan as usize;
            let (from, to) = (self.first[orphan] as usize, self.first[orphan + 1] as usize);
            work += to - from;
            let before = self.known[orphan].1;
            let (mut shortest, mut way) = (u32::MAX, FREE);
            for index in from..to {
                let arc = self.arcs[index];
                let head = arc.head as usize;
                if arc.residual == 0 || self.parent[head] == FREE || self.parent[head] == ORPHAN {
                    continue;
                }
                let Some(length) = self.way_length(head) else { continue };
                if length < shortest {
                    (shortest, way) = (length, index as u32);
                    if length < before {
                        break;
                    }
                }
            }
            self.parent[orphan] = way;
            if way != FREE {
                self.known[orphan] = (self.time, shortest + 1);
                continue;
            }
            for index in from..to {
                let arc = self.arcs[index];
                let head = arc.head as usize;
                if self.parent[head] == FREE {
                    continue;
                }
                // If this neighbour keeps its own way, it may take the orphan up later on.
                if arc.residual > 0 {
                    self.activate(head);
                }
                if self.parent[head] == arc.sister {
                    self.parent[head] = ORPHAN;
                    self.orphans.push(arc.head);
                }
            }
        }
        work
    }

    /// How many arcs a node's way in the forest has, if it still leads to a root.
    #[inline]
    fn way_length(&mut self, node: usize) -> Option<u32> {
        let (arcs, parents, known) = (&self.arcs[..], &self.parent[..], &mut self.known[..]);
        let mut length = 0;
        let mut here = node;
        while known[here].0 != self.time {
            match parents[here] {
                ROOT => {
                    known[here] = (self.time, 0);
                    break;
                }
                ORPHAN | FREE => return None,
                way => here = arcs[way as usize].head as usize,
            }
            length += 1;
        }
        length += known[here].1;
        // The nodes passed are known now, too.
        let mut left = length;
        let mut here = node;
        while known[here].0 != self.time {
            known[here] = (self.time, left);
            left -= 1;
            here = arcs[parents[here] as usize].head as usize;
        }
        Some(length)
    }

    /// Labels the nodes that waiting flow still reaches 0 and all others `unreached`.
    fn mark_reached(&mut self, unreached: u32) {
        self.label.clear();
        self.label.resize(self.excess.len(), unreached);
        self.queue.clear();
        for (node, &excess) in self.excess.iter().enumerate() {
            if excess > 0 {
                self.label[node] = 0;
                self.queue.push(node as u32);
            }
        }
        let mut at = 0;
        while let Some(&node) = self.queue.get(at) {
            at += 1;
            let (from, to) = (self.first[node as usize] as usize, self.first[node as usize + 1] as usize);
            for arc in &self.arcs[from..to] {
                let label = &mut self.label[arc.head as usize];
                if *label == unreached && arc.residual > 0 {
                    *label = 0;
                    self.queue.push(arc.head);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use petgraph::algo::dinics;
    use petgraph::graph::DiGraph;

    /// A small generator of its own, so that the cases never change with a library.
    struct Dice(u64);

    impl Dice {
        fn below(&mut self, end: u64) -> u64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut mixed = self.0;
            mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            (mixed ^ (mixed >> 31)) % end
        }

        fn chance(&mut self, percent: u64) -> bool {
            self.below(100) < percent
        }
    }

    #[derive(Clone, Debug, Default)]
    struct Case {
        nodes: usize,
        edges: Vec<(u32, u32, u32)>,
        sources: Vec<u32>,
        sinks: Vec<u32>,
    }

    impl Case {
        fn load(&self, network: &mut Network) {
            network.reset(self.nodes);
            for &(a, b, capacity) in &self.edges {
                network.connect(a, b, capacity);
            }
            for &node in &self.sources {
                network.tie_to_source(node);
            }
            for &node in &self.sinks {
                network.tie_to_sink(node);
            }
        }

        fn library_value(&self) -> u64 {
            let mut graph = DiGraph::<(), u64>::new();
            let nodes: Vec<_> = (0..self.nodes + 2).map(|_| graph.add_node(())).collect();
            let (source, sink) = (nodes[self.nodes], nodes[self.nodes + 1]);
            for &(a, b, capacity) in &self.edges {
                graph.add_edge(nodes[a as usize], nodes[b as usize], u64::from(capacity));
                graph.add_edge(nodes[b as usize], nodes[a as usize], u64::from(capacity));
            }
            for &node in &self.sources {
                graph.add_edge(source, nodes[node as usize], 1 << 50);
            }
            for &node in &self.sinks {
                graph.add_edge(nodes[node as usize], sink, 1 << 50);
            }
            dinics(&graph, source, sink).0
        }

        fn value_across(&self, side: &[bool]) -> u64 {
            let crossing = |edge: &&(u32, u32, u32)| side[edge.0 as usize] != side[edge.1 as usize];
            self.edges.iter().filter(crossing).map(|edge| u64::from(edge.2)).sum()
        }

        /// Solves, and checks that the sides part the terminals at exactly the value returned.
        fn solve(&self, network: &mut Network) -> (u64, Vec<bool>) {
            self.load(network);
            let value = network.min_cut();
            let side: Vec<bool> = (0..self.nodes as u32).map(|node| network.is_source_side(node)).collect();
            assert!(self.sources.iter().all(|&node| side[node as usize]), "a source node on the wrong side: {self:?}");
            assert!(self.sinks.iter().all(|&node| !side[node as usize]), "a sink node on the wrong side: {self:?}");
            assert_eq!(self.value_across(&side), value, "the cut does not have the value returned: {self:?}");
            (value, side)
        }

        /// By trying every subset: the least value, and the nodes that are in every source side of that value.
        fn exhaustive(&self) -> (u64, Vec<bool>) {
            let mut best = u64::MAX;
            let mut common = 0u32;
            for subset in 0..1u32 << self.nodes {
                let inside = |node: u32| subset >> node & 1 == 1;
                if self.sources.iter().all(|&node| inside(node)) && !self.sinks.iter().any(|&node| inside(node)) {
                    let side: Vec<bool> = (0..self.nodes as u32).map(inside).collect();
                    let value = self.value_across(&side);
                    if value < best {
                        (best, common) = (value, subset);
                    } else if value == best {
                        common &= subset;
                    }
                }
            }
            (best, (0..self.nodes).map(|node| common >> node & 1 == 1).collect())
        }
    }

    fn any_capacity(dice: &mut Dice) -> u32 {
        match dice.below(10) {
            0 => 0,
            1 => u32::MAX - dice.below(3) as u32,
            2 => (u32::MAX / 2 - 1) + dice.below(4) as u32,
            3 | 4 => 1 + dice.below(3) as u32,
            _ => 50 + dice.below(4950) as u32,
        }
    }

    /// Ties disjoint random nodes; sometimes none at all.
    fn tie_at_random(case: &mut Case, dice: &mut Dice, percent: u64) {
        for node in 0..case.nodes as u32 {
            if dice.chance(percent) {
                if dice.chance(50) {
                    case.sources.push(node);
                } else {
                    case.sinks.push(node);
                }
            }
        }
    }

    fn random_case(dice: &mut Dice, nodes: usize, edges: usize) -> Case {
        let mut case = Case { nodes, ..Case::default() };
        for _ in 0..edges {
            let (a, b) = (dice.below(nodes as u64) as u32, dice.below(nodes as u64) as u32);
            case.edges.push((a, b, any_capacity(dice)));
        }
        tie_at_random(&mut case, dice, 20);
        case
    }

    /// Two parts without an edge between them; the terminals lie anywhere.
    fn disconnected_case(dice: &mut Dice) -> Case {
        let mut case = random_case(dice, 20, 60);
        let other = random_case(dice, 20, 60);
        case.nodes = 40;
        case.edges.extend(other.edges.iter().map(|&(a, b, capacity)| (a + 20, b + 20, capacity)));
        case.sources.extend(other.sources.iter().map(|node| node + 20));
        case.sinks.extend(other.sinks.iter().map(|node| node + 20));
        case
    }

    /// A flat grid whose capacities are small, so that minimum cuts abound and ties have to be broken.
    fn grid_case(dice: &mut Dice) -> Case {
        let (width, height) = (3 + dice.below(8) as u32, 3 + dice.below(8) as u32);
        let mut case = Case { nodes: (width * height) as usize, ..Case::default() };
        for y in 0..height {
            for x in 0..width {
                let node = y * width + x;
                if x + 1 < width {
                    case.edges.push((node, node + 1, dice.below(4) as u32));
                }
                if y + 1 < height {
                    case.edges.push((node, node + width, dice.below(4) as u32));
                }
            }
            case.sources.push(y * width);
            case.sinks.push(y * width + width - 1);
        }
        case
    }

    /// A chain: the longest distances a graph can have.
    fn chain_case(dice: &mut Dice) -> Case {
        let nodes = 2 + dice.below(60) as u32;
        let edges = (1..nodes).map(|node| (node - 1, node, any_capacity(dice))).collect();
        Case { nodes: nodes as usize, edges, sources: vec![0], sinks: vec![nodes - 1] }
    }

    /// A slab of cells, `depth` cells from face to face, each joined to all 26 neighbours (or to 18, without corners).
    fn slab_case(dice: &mut Dice, [depth, height, width]: [i32; 3], corners: bool) -> Case {
        let number = |z: i32, y: i32, x: i32| ((z * height + y) * width + x) as u32;
        let mut case = Case { nodes: (depth * height * width) as usize, ..Case::default() };
        for z in 0..depth {
            for y in 0..height {
                for x in 0..width {
                    for step in 14..27 {
                        let (dz, dy, dx) = (step / 9 - 1, step / 3 % 3 - 1, step % 3 - 1);
                        let (z2, y2, x2) = (z + dz, y + dy, x + dx);
                        let inside = z2 < depth && (0..height).contains(&y2) && (0..width).contains(&x2);
                        if inside && (corners || dz.abs() + dy.abs() + dx.abs() < 3) {
                            case.edges.push((number(z, y, x), number(z2, y2, x2), 50 + dice.below(4950) as u32));
                        }
                    }
                }
            }
        }
        for y in 0..height {
            for x in 0..width {
                case.sources.push(number(0, y, x));
                case.sinks.push(number(depth - 1, y, x));
            }
        }
        case
    }

    /// What the engine asks for: node 0 is all that lies above the slab and node 1 all that lies below, a hard block
    /// lies in a soft shell, and the cells along two lines within the slab belong to either terminal.
    fn lens_case(dice: &mut Dice, [depth, height, width]: [i32; 3]) -> Case {
        let on_line = |z: i32, y: i32, x: i32| {
            (z == depth / 2 && y == height / 4 && x < width / 2) || (z == depth / 2 - 1 && (y - x / 3).abs() < 1)
        };
        let inner = |z: i32, y: i32, x: i32| z > 0 && z < depth - 1 && !on_line(z, y, x);
        let is_hard = |z: i32, y: i32, x: i32| {
            let across = (y - height / 2).pow(2) * 9 + (x - width / 2).pow(2) * 4;
            across < width * width / 3 && z > 0
        };
        let mut numbers = std::collections::BTreeMap::new();
        let mut next = 2;
        for z in 0..depth {
            for y in 0..height {
                for x in 0..width {
                    let number = if inner(z, y, x) { next } else { u32::from(2 * z >= depth) };
                    next += u32::from(inner(z, y, x));
                    numbers.insert((z, y, x), number);
                }
            }
        }
        let mut case = Case { nodes: next as usize, sources: vec![0], sinks: vec![1], ..Case::default() };
        for (&(z, y, x), &a) in &numbers {
            for step in 14..27 {
                let (z2, y2, x2) = (z + step / 9 - 1, y + step / 3 % 3 - 1, x + step % 3 - 1);
                let Some(&b) = numbers.get(&(z2, y2, x2)) else { continue };
                if a != b && (a > 1 || b > 1) {
                    let hard = u32::from(is_hard(z, y, x)) + u32::from(is_hard(z2, y2, x2));
                    let base = [40, 400, 2500][hard as usize];
                    case.edges.push((a, b, base + dice.below(u64::from(base)) as u32));
                }
            }
        }
        case
    }

    fn mixed_cases() -> Vec<Case> {
        let mut dice = Dice(7);
        let mut cases = Vec::new();
        for round in 0..60 {
            let nodes = 2 + dice.below(60) as usize;
            cases.push(random_case(&mut dice, nodes, nodes));
            cases.push(random_case(&mut dice, 4 + round / 4, 150));
            cases.push(disconnected_case(&mut dice));
            cases.push(grid_case(&mut dice));
            cases.push(chain_case(&mut dice));
        }
        cases
    }

    #[test]
    fn agrees_with_the_library_on_random_graphs() {
        let cases = mixed_cases();
        assert!(cases.len() >= 200);
        let mut network = Network::default();
        let mut positive = 0;
        for case in &cases {
            let (value, _) = case.solve(&mut network);
            assert_eq!(value, case.library_value(), "{case:?}");
            positive += usize::from(value > 0);
        }
        // Guards the cases themselves: a generator that cuts everything apart would test nothing.
        assert!(positive > cases.len() / 2, "only {positive} of {} cases carry flow", cases.len());
    }

    #[test]
    fn agrees_with_the_library_on_slabs() {
        let mut dice = Dice(11);
        let mut network = Network::default();
        for depth in [2, 3, 4, 5, 8] {
            for corners in [true, false] {
                let case = slab_case(&mut dice, [depth, 7, 9], corners);
                let (value, _) = case.solve(&mut network);
                assert_eq!(value, case.library_value(), "depth {depth}, corners {corners}");
            }
        }
        // One at working size, so that several rounds are needed.
        let case = slab_case(&mut dice, [5, 20, 30], true);
        assert_eq!(case.solve(&mut network).0, case.library_value());
    }

    #[test]
    fn agrees_with_the_library_on_a_hard_block_in_a_soft_shell() {
        let mut dice = Dice(17);
        let mut network = Network::default();
        let (mut forward, mut backward) = (0, 0);
        for size in [[5, 8, 12], [6, 10, 14], [7, 12, 18], [7, 20, 30]] {
            let case = lens_case(&mut dice, size);
            let (value, side) = case.solve(&mut network);
            assert_eq!(value, case.library_value(), "{size:?}");
            // The cut is a surface within the slab, not the ties of one terminal.
            let above = side.iter().filter(|&&above| above).count();
            assert!(above > case.nodes / 20 && above < case.nodes - case.nodes / 20, "{above} of {} above", case.nodes);
            // From the other terminal the same cut has the same value, and its smallest side lies on the other side.
            let exchanged = Case { sources: vec![1], sinks: vec![0], ..case.clone() };
            let was_forward = network.is_forward;
            let (opposite_value, opposite) = exchanged.solve(&mut network);
            assert_eq!(opposite_value, value);
            assert!(side.iter().zip(&opposite).all(|(here, there)| !(here & there)));
            assert_ne!(network.is_forward, was_forward, "the weaker terminal should send");
            forward += usize::from(network.is_forward) + usize::from(was_forward);
            backward += usize::from(!network.is_forward) + usize::from(!was_forward);
        }
        assert!(forward > 0 && backward > 0);
    }

    #[test]
    fn the_source_side_is_the_smallest_of_all_minimum_cuts() {
        let mut dice = Dice(3);
        let mut network = Network::default();
        let mut ambiguous = 0;
        for _ in 0..300 {
            let mut case = Case { nodes: 9, ..Case::default() };
            for _ in 0..6 + dice.below(18) {
                case.edges.push((dice.below(9) as u32, dice.below(9) as u32, dice.below(3) as u32));
            }
            tie_at_random(&mut case, &mut dice, 40);
            assert_eq!(case.solve(&mut network), case.exhaustive(), "{case:?}");
            // With the terminals exchanged the smallest side is seen from the other end.
            let exchanged = Case { sources: case.sinks.clone(), sinks: case.sources.clone(), ..case.clone() };
            let (_, side) = case.solve(&mut network);
            let (_, opposite) = exchanged.solve(&mut network);
            ambiguous += usize::from(side.iter().zip(&opposite).any(|(here, there)| !here && !there));
        }
        assert!(ambiguous > 100, "only {ambiguous} cases have more than one minimum cut");
    }

    #[test]
    fn values_beyond_32_bits_are_exact() {
        let mut network = Network::default();
        let most = u64::from(u32::MAX);
        network.reset(4);
        for (a, b) in [(0, 1), (0, 1), (1, 2), (1, 2), (1, 2), (2, 3), (2, 3), (2, 3)] {
            network.connect(a, b, u32::MAX);
        }
        network.tie_to_source(0);
        network.tie_to_sink(3);
        assert_eq!(network.min_cut(), 2 * most);
        assert!(network.is_source_side(0) && !network.is_source_side(1));
        network.connect(0, 3, u32::MAX);
        assert_eq!(network.min_cut(), 3 * most);
    }

    #[test]
    fn a_node_tied_to_both_ends_leaves_no_cut() {
        for order in [[true, false], [false, true]] {
            let mut network = Network::default();
            network.reset(3);
            network.connect(0, 1, 5);
            network.tie_to_source(0);
            for source in order.into_iter().chain(order) {
                if source {
                    network.tie_to_source(2);
                } else {
                    network.tie_to_sink(2);
                }
            }
            assert_eq!(network.min_cut(), u64::MAX);
            assert!((0..3).all(|node| !network.is_source_side(node)));
        }
    }

    #[test]
    fn degenerate_networks_have_the_cut_zero() {
        let mut network = Network::default();
        assert_eq!(network.min_cut(), 0);
        assert!(!network.is_source_side(0));
        network.reset(3);
        network.connect(0, 0, 9);
        network.connect(0, 1, 0);
        network.connect(1, 2, 9);
        assert_eq!(network.min_cut(), 0);
        network.tie_to_source(0);
        network.tie_to_sink(2);
        assert!(!network.is_source_side(0), "the latest cut does not know of the ties yet");
        assert_eq!(network.min_cut(), 0);
        assert_eq!([0, 1, 2, 3].map(|node| network.is_source_side(node)), [true, false, false, false]);
    }

    #[test]
    #[should_panic(expected = "an edge of nodes 1 and 2 among 2")]
    fn an_edge_to_a_missing_node_is_refused() {
        let mut network = Network::default();
        network.reset(2);
        network.connect(1, 2, 1);
    }

    #[test]
    fn repeats_itself_exactly_and_survives_reuse() {
        let mut dice = Dice(5);
        let mut cases = mixed_cases();
        cases.push(slab_case(&mut dice, [5, 12, 15], true));
        let fresh: Vec<_> = cases.iter().map(|case| case.solve(&mut Network::default())).collect();
        // One network takes all cases in turn, large and small mixed, in both directions.
        let mut network = Network::default();
        for _ in 0..2 {
            for (case, expected) in cases.iter().zip(&fresh).chain(cases.iter().zip(&fresh).rev()) {
                assert_eq!(&case.solve(&mut network), expected);
                let arcs = network.arcs.clone();
                assert_eq!(network.min_cut(), expected.0);
                let same = arcs.iter().zip(&network.arcs).all(|(one, two)| one.residual == two.residual);
                assert!(same, "asked twice, the network took another way to the same cut");
            }
        }
    }

    #[test]
    fn the_order_of_the_edges_does_not_move_the_cut() {
        let mut dice = Dice(13);
        let mut network = Network::default();
        let mut case = slab_case(&mut dice, [5, 8, 10], true);
        // Few distinct capacities, so that there are many cuts to choose from.
        for edge in &mut case.edges {
            edge.2 = 1 + edge.2 % 2;
        }
        let expected = case.solve(&mut network);
        case.edges.reverse();
        for edge in &mut case.edges {
            *edge = (edge.1, edge.0, edge.2);
        }
        assert_eq!(case.solve(&mut network), expected);
    }
}
