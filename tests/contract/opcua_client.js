// A foreign OPC UA client: browses a folder, reads, tries to write, subscribes with a deadband.
// NODE_PATH=<node_modules> node opcua_client.js ENDPOINT SITE MACHINE TAG SECONDS
// Prints one JSON object a line: {"browse": ...}, {"read": ...}, {"write": ...}, {"heard": ...}.
const opcua = require("node-opcua-client");

const [endpoint, site, machine, tag, seconds] = process.argv.slice(2);
const say = (line) => console.log(JSON.stringify(line));

// Ticks of 100 ns since 1601 as text: milliseconds from the date, the rest from picoseconds.
function ticks(value) {
  if (!value.sourceTimestamp) return null;
  const ms = BigInt(value.sourceTimestamp.getTime()) + 11644473600000n;
  return String(ms * 10000n + BigInt(Math.floor((value.sourcePicoseconds || 0) / 100000)));
}

const seen = (value) => ({
  value: value.value.value,
  status: value.statusCode.value,
  ticks: ticks(value),
  server: value.serverTimestamp !== null,
});

async function browse(session, nodeId) {
  const found = await session.browse({ nodeId, referenceTypeId: "HierarchicalReferences", includeSubtypes: true, browseDirection: opcua.BrowseDirection.Forward, resultMask: 63 });
  return found.references.map((r) => [r.browseName.name, r.nodeId.toString()]);
}

(async () => {
  const client = opcua.OPCUAClient.create({ endpointMustExist: false, connectionStrategy: { maxRetry: 1 } });
  await client.connect(endpoint);
  const session = await client.createSession();
  const names = {};
  for (const [name, id] of await browse(session, "ObjectsFolder")) names[name] = id;
  for (const [name, id] of await browse(session, names[site])) names[name] = id;
  const children = await browse(session, names[machine]);
  say({ browse: children });
  const nodeId = children.find(([name]) => name === tag)[1];
  say({ properties: (await browse(session, nodeId)).map(([name]) => name) });
  const units = await session.read({ nodeId: `${nodeId}.EngineeringUnits`, attributeId: opcua.AttributeIds.Value });
  say({ units: [units.value.value.unitId, units.value.value.displayName.text] });
  say({ read: seen(await session.read({ nodeId, attributeId: opcua.AttributeIds.Value }, 0)) });
  let refused;
  try {
    const code = await session.write({ nodeId, attributeId: opcua.AttributeIds.Value, value: { value: { dataType: "Double", value: 1 } } });
    refused = code.name;
  } catch (error) {
    refused = String(error.message);
  }
  say({ write: refused });
  const subscription = await session.createSubscription2({ requestedPublishingInterval: 10, requestedLifetimeCount: 600, requestedMaxKeepAliveCount: 10, publishingEnabled: true, maxNotificationsPerPublish: 0 });
  say({ interval: subscription.publishingInterval });
  const item = opcua.ClientMonitoredItem.create(subscription, { nodeId, attributeId: opcua.AttributeIds.Value },
    { samplingInterval: 0, queueSize: 50, discardOldest: true, filter: new opcua.DataChangeFilter({ trigger: opcua.DataChangeTrigger.StatusValue, deadbandType: opcua.DeadbandType.Percent, deadbandValue: 1 }) },
    opcua.TimestampsToReturn.Both);
  item.on("changed", (value) => say({ heard: seen(value) }));
  item.on("err", (message) => say({ error: message }));
  process.stdin.once("data", async () => {
    await subscription.terminate();
    await session.close();
    await client.disconnect();
    process.exit(0);
  });
  setTimeout(() => process.exit(2), Number(seconds) * 1000);
})().catch((error) => {
  say({ error: String(error) });
  process.exit(1);
});
