-- What a composer does in Ardour, by its own Lua runner: arg[1] what to do, arg[2] folder, arg[3] name of the session.

AudioEngine:set_backend("None (Dummy)", "", "")

local what, folder, name = arg[1], arg[2], arg[3]

if what == "make" then
	local session = create_session(folder, name, 48000)
	assert(session, "no session was made")
	local last = ARDOUR.PresentationInfo.max_order
	session:new_audio_track(2, 2, nil, 1, "stem", last, ARDOUR.TrackMode.Normal, true)
	-- Ardour connects it to the master in a thread of its own: a session saved before that is silent.
	local out = session:route_by_name("stem"):output()
	local tries = 0
	while not (out:audio(0):connected() and out:audio(1):connected()) do
		assert(tries < 600, "the track was not connected")
		ARDOUR.LuaAPI.usleep(100000)
		tries = tries + 1
	end
	session:save_state("", false, false, false, false, false)
	close_session()
	quit()
end

local session = load_session(folder, name)
assert(session, "the session does not open")
local track = session:route_by_name("stem")
for region in track:to_track():playlist():region_list():iter() do
	print("region", region:name(), region:position():samples(), region:length():samples())
end

if what == "insert" then -- arg[4] identifier, arg[5] number among the controls, arg[6] of the port, arg[7] step in samples, from, to, arg[10] format
	local processor = ARDOUR.LuaAPI.new_plugin(session, arg[4], ARDOUR.PluginType[arg[10]], "")
	assert(not processor:isnil(), "the plug-in is not found")
	assert(track:add_processor_by_index(processor, 0, nil, true) == 0)
	local _, curve, told = ARDOUR.LuaAPI.plugin_automation(processor, tonumber(arg[5]))
	print("automated", told.label, told.lower, told.upper)
	curve:set_interpolation(Evoral.InterpolationStyle.Discrete)
	curve:add(Temporal.timepos_t(0), tonumber(arg[8]), false, true)
	curve:add(Temporal.timepos_t(tonumber(arg[7])), tonumber(arg[9]), false, true)
	local parameter = Evoral.Parameter(ARDOUR.AutomationType.PluginAutomation, 0, tonumber(arg[6]))
	processor:to_automatable():automation_control(parameter, true):set_automation_state(ARDOUR.AutoState.Play)
	session:save_state("", false, false, false, false, false)
end

if what == "bounce" then -- arg[4] name of the file, arg[5] its length in samples, arg[6] number of the preset of export
	local processor = track:nth_plugin(0)
	print("plug-in", processor:to_insert():plugin(0):name())
	sleep(1) -- until its latency is settled
	local export = session:simple_export()
	assert(export:set_preset(arg[6]), "the preset of export is not found")
	export:set_folder(folder)
	export:set_name(arg[4])
	export:set_range(0, tonumber(arg[5]))
	assert(export:check_outputs() and export:run_export(), "nothing was exported")
end

close_session()
quit()
